"""The tables of the yard as they are now; ``shared/stores/migrations`` is how a file gets here."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    LargeBinary,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from shared.stores.registry.columns import id_, json_kind, maybe, metadata, needed, serial_kind

counters = Table("counters", metadata, id_("name"), needed("value", BigInteger))

sites = Table("sites", metadata, id_("slug"), needed("name"), needed("zone"))

piles = Table(
    "piles",
    metadata,
    id_(),
    Column("site", Text, ForeignKey("sites.slug"), nullable=False),
    needed("peg"),
    needed("built_at", BigInteger),
    maybe("finished_at", BigInteger),
    maybe("volume_l", Double),
    maybe("kind"),
    Column("rule_ids", json_kind, nullable=False),
    maybe("guide_id"),
    Column("mix", json_kind),
    Index("ix_piles_site_peg", "site", "peg"),
)
Index(
    "uq_piles_open_peg",
    piles.c.site,
    piles.c.peg,
    unique=True,
    sqlite_where=text("finished_at IS NULL"),
    postgresql_where=text("finished_at IS NULL"),
)

turns = Table(
    "turns",
    metadata,
    id_(),
    Column("pile_id", Text, ForeignKey("piles.id"), nullable=False),
    needed("at", BigInteger),
    needed("source"),
    needed("state"),
    needed("note"),
    needed("by"),
    Index("ix_turns_pile_id_at", "pile_id", "at"),
)

notes = Table(
    "notes",
    metadata,
    id_(),
    Column("pile_id", Text, ForeignKey("piles.id"), nullable=False),
    needed("kind"),
    needed("at", BigInteger),
    needed("text"),
    Column("figures", json_kind, nullable=False),
    needed("by"),
    Index("ix_notes_pile_id_at", "pile_id", "at"),
)

photos = Table(
    "photos",
    metadata,
    Column("note_id", Text, ForeignKey("notes.id"), primary_key=True),
    Column("jpeg", LargeBinary, nullable=False),
)

probes = Table(  # no foreign key to sites: a probe that nobody registered is kept too
    "probes",
    metadata,
    id_(),
    needed("site"),
    needed("name"),
    maybe("first_heard_at", BigInteger),
    maybe("last_heard_at", BigInteger),
    maybe("interval_ms", BigInteger),
    needed("interval_fixed", Boolean),
    maybe("online", Boolean),
    maybe("battery_percent", Double),
    maybe("battery_volt", Double),
    maybe("rssi_dbm", Double),
    needed("repeats", BigInteger),
    needed("differing_repeats", BigInteger),
    needed("note"),
    UniqueConstraint("site", "name"),
)

placements = Table(
    "placements",
    metadata,
    id_(),
    needed("site"),
    needed("probe"),
    Column("pile_id", Text, ForeignKey("piles.id"), nullable=False),
    needed("start_at", BigInteger),
    maybe("end_at", BigInteger),
    needed("position"),
    needed("zone"),
    Index("ix_placements_site_probe", "site", "probe"),
    Index("ix_placements_pile_id", "pile_id"),
)

calibrations = Table(
    "calibrations",
    metadata,
    id_(),
    needed("site"),
    needed("probe"),
    needed("depth"),
    needed("offset_c", Double),
    needed("valid_from", BigInteger),
    needed("method"),
    Index("ix_calibrations_site_probe", "site", "probe"),
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", serial_kind, primary_key=True, autoincrement=True),
    needed("received_at", BigInteger),
    needed("topic"),
    needed("reason"),
    Column("payload", LargeBinary, nullable=False),
    needed("size", BigInteger),
    Index("ix_quarantine_received_at", "received_at"),
    sqlite_autoincrement=True,
)

tokens = Table(
    "tokens",
    metadata,
    id_(),
    needed("name"),
    needed("role"),
    needed("created_at", BigInteger),
    needed("digest"),
    maybe("expires_at", BigInteger),
    maybe("last_used_at", BigInteger),
    maybe("site"),
    Column("purpose", json_kind),
    UniqueConstraint("digest"),
)

credentials = Table(
    "credentials",
    metadata,
    id_("site"),
    id_("probe"),
    needed("username"),
    needed("password_hash"),
    needed("at", BigInteger),
    UniqueConstraint("username"),
)

memory = Table("memory", metadata, id_("name"), needed("value"))

answers = Table("answers", metadata, id_("scope"), id_("key"), needed("answer"), needed("at", BigInteger))
