"""The tables of the registry as they are now; ``shared/stores/migrations`` is how a file gets here."""

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
    func,
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

people = Table(
    "people",
    metadata,
    id_(),
    needed("name"),
    needed("zone"),
    needed("units"),
    needed("language"),
    needed("on_duty"),
    Column("escalate_to", Text, ForeignKey("people.id")),
)

channels = Table(
    "channels",
    metadata,
    id_(),
    Column("person_id", Text, ForeignKey("people.id"), nullable=False),
    needed("kind"),
    needed("target"),
    maybe("secret"),
    maybe("disabled_at", BigInteger),
    needed("disabled_why"),
    Index("ix_channels_person_id", "person_id"),
)

subscriptions = Table(
    "subscriptions",
    metadata,
    id_(),
    Column("person_id", Text, ForeignKey("people.id"), nullable=False),
    Column("site", Text, ForeignKey("sites.slug")),
    Column("pile_id", Text, ForeignKey("piles.id")),
    Column("kinds", json_kind),
    needed("min_severity"),
    Index("ix_subscriptions_person_id", "person_id"),
)

episodes = Table(
    "episodes",
    metadata,
    id_(),
    needed("kind"),
    maybe("site"),
    maybe("pile_id"),
    needed("subject"),
    needed("severity"),
    needed("state"),
    needed("opened_at", BigInteger),
    needed("reason"),
    Column("figures", json_kind, nullable=False),
    maybe("worsened_at", BigInteger),
    maybe("acknowledged_at", BigInteger),
    needed("acknowledged_by"),
    maybe("snoozed_until", BigInteger),
    maybe("resolved_at", BigInteger),
    needed("resolved_reason"),
    maybe("clear_since", BigInteger),
    Column("holds", json_kind, nullable=False),
    Index("ix_episodes_opened_at", "opened_at", "id"),
    Index("ix_episodes_pile_id", "pile_id"),
)
Index(
    "ix_episodes_unresolved",
    episodes.c.opened_at,
    episodes.c.id,
    sqlite_where=text("state <> 'resolved'"),
    postgresql_where=text("state <> 'resolved'"),
)
Index(
    "uq_episodes_unresolved",
    episodes.c.kind,
    func.coalesce(episodes.c.pile_id, text("''")),
    func.coalesce(episodes.c.site, text("''")),
    episodes.c.subject,
    unique=True,
    sqlite_where=text("state <> 'resolved'"),
    postgresql_where=text("state <> 'resolved'"),
)

notices = Table(
    "notices",
    metadata,
    id_(),
    needed("episode_id"),
    needed("kind"),
    needed("severity"),
    needed("person_id"),
    needed("channel_id"),
    needed("reason"),
    needed("at", BigInteger),
    needed("title"),
    needed("text"),
    maybe("pile_id"),
    needed("peg"),
    maybe("site"),
    Column("figures", json_kind, nullable=False),
    Column("links", json_kind, nullable=False),
    needed("state"),
    maybe("not_before", BigInteger),
    needed("tries", BigInteger),
    maybe("next_try_at", BigInteger),
    maybe("leased_until", BigInteger),
    maybe("sent_at", BigInteger),
    needed("last_error"),
    maybe("due_at", BigInteger),  # when a claim may take it; none = never again
    Index("ix_notices_at", "at", "id"),
    Index("ix_notices_episode_id", "episode_id"),
    Index("ix_notices_pile_id", "pile_id"),
)
Index(
    "ix_notices_due_at",
    notices.c.due_at,
    sqlite_where=text("due_at IS NOT NULL"),
    postgresql_where=text("due_at IS NOT NULL"),
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
