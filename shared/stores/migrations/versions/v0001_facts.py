"""Sites, piles, what is done to them, and probes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("probe", sa.Text(), nullable=False),
        sa.Column("depth", sa.Text(), nullable=False),
        sa.Column("offset_c", sa.Double(), nullable=False),
        sa.Column("valid_from", sa.BigInteger(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_calibrations"),
    )
    op.create_index("ix_calibrations_site_probe", "calibrations", ["site", "probe"], unique=False)
    op.create_table(
        "counters",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_counters"),
    )
    op.create_table(
        "probes",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("first_heard_at", sa.BigInteger(), nullable=True),
        sa.Column("last_heard_at", sa.BigInteger(), nullable=True),
        sa.Column("interval_ms", sa.BigInteger(), nullable=True),
        sa.Column("interval_fixed", sa.Boolean(), nullable=False),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("battery_percent", sa.Double(), nullable=True),
        sa.Column("battery_volt", sa.Double(), nullable=True),
        sa.Column("rssi_dbm", sa.Double(), nullable=True),
        sa.Column("repeats", sa.BigInteger(), nullable=False),
        sa.Column("differing_repeats", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_probes"),
        sa.UniqueConstraint("site", "name", name="uq_probes_site_name"),
    )
    op.create_table(
        "sites",
        sa.Column("slug", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("slug", name="pk_sites"),
    )
    op.create_table(
        "piles",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("peg", sa.Text(), nullable=False),
        sa.Column("built_at", sa.BigInteger(), nullable=False),
        sa.Column("finished_at", sa.BigInteger(), nullable=True),
        sa.Column("volume_l", sa.Double(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("rule_ids", sa.JSON(), nullable=False),
        sa.Column("guide_id", sa.Text(), nullable=True),
        sa.Column("mix", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(["site"], ["sites.slug"], name="fk_piles_site"),
        sa.PrimaryKeyConstraint("id", name="pk_piles"),
    )
    op.create_index("ix_piles_site_peg", "piles", ["site", "peg"], unique=False)
    op.create_index(
        "uq_piles_open_peg",
        "piles",
        ["site", "peg"],
        unique=True,
        sqlite_where=sa.text("finished_at IS NULL"),
        postgresql_where=sa.text("finished_at IS NULL"),
    )
    op.create_table(
        "notes",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("pile_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pile_id"], ["piles.id"], name="fk_notes_pile_id"),
        sa.PrimaryKeyConstraint("id", name="pk_notes"),
    )
    op.create_index("ix_notes_pile_id_at", "notes", ["pile_id", "at"], unique=False)
    op.create_table(
        "placements",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("probe", sa.Text(), nullable=False),
        sa.Column("pile_id", sa.Text(), nullable=False),
        sa.Column("start_at", sa.BigInteger(), nullable=False),
        sa.Column("end_at", sa.BigInteger(), nullable=True),
        sa.Column("position", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pile_id"], ["piles.id"], name="fk_placements_pile_id"),
        sa.PrimaryKeyConstraint("id", name="pk_placements"),
    )
    op.create_index("ix_placements_pile_id", "placements", ["pile_id"], unique=False)
    op.create_index("ix_placements_site_probe", "placements", ["site", "probe"], unique=False)
    op.create_table(
        "turns",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("pile_id", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["pile_id"], ["piles.id"], name="fk_turns_pile_id"),
        sa.PrimaryKeyConstraint("id", name="pk_turns"),
    )
    op.create_index("ix_turns_pile_id_at", "turns", ["pile_id", "at"], unique=False)
    op.create_table(
        "photos",
        sa.Column("note_id", sa.Text(), nullable=False),
        sa.Column("jpeg", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["note_id"], ["notes.id"], name="fk_photos_note_id"),
        sa.PrimaryKeyConstraint("note_id", name="pk_photos"),
    )
    op.execute("INSERT INTO counters (name, value) VALUES ('facts', 0), ('pulse', 0)")
