"""People, episodes and notices, the quarantine, access and memory."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "answers",
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("scope", "key", name="pk_answers"),
    )
    op.create_table(
        "credentials",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("probe", sa.Text(), nullable=False),
        sa.Column("username", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "probe", name="pk_credentials"),
        sa.UniqueConstraint("username", name="uq_credentials_username"),
    )
    op.create_table(
        "episodes",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("pile_id", sa.Text(), nullable=True),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("opened_at", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        sa.Column("worsened_at", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_at", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=False),
        sa.Column("snoozed_until", sa.BigInteger(), nullable=True),
        sa.Column("resolved_at", sa.BigInteger(), nullable=True),
        sa.Column("resolved_reason", sa.Text(), nullable=False),
        sa.Column("clear_since", sa.BigInteger(), nullable=True),
        sa.Column("holds", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_episodes"),
    )
    op.create_index("ix_episodes_opened_at", "episodes", ["opened_at", "id"], unique=False)
    op.create_index("ix_episodes_pile_id", "episodes", ["pile_id"], unique=False)
    op.create_index(
        "ix_episodes_unresolved",
        "episodes",
        ["opened_at", "id"],
        sqlite_where=sa.text("state <> 'resolved'"),
        postgresql_where=sa.text("state <> 'resolved'"),
    )
    op.create_index(
        "uq_episodes_unresolved",
        "episodes",
        [
            "kind",
            sa.literal_column("coalesce(pile_id, '')"),
            sa.literal_column("coalesce(site, '')"),
            "subject",
        ],
        unique=True,
        sqlite_where=sa.text("state <> 'resolved'"),
        postgresql_where=sa.text("state <> 'resolved'"),
    )
    op.create_table(
        "memory",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_memory"),
    )
    op.create_table(
        "notices",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("episode_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Text(), nullable=False),
        sa.Column("channel_id", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("pile_id", sa.Text(), nullable=True),
        sa.Column("peg", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("figures", sa.JSON(), nullable=False),
        sa.Column("links", sa.JSON(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("not_before", sa.BigInteger(), nullable=True),
        sa.Column("tries", sa.BigInteger(), nullable=False),
        sa.Column("next_try_at", sa.BigInteger(), nullable=True),
        sa.Column("leased_until", sa.BigInteger(), nullable=True),
        sa.Column("sent_at", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.Column("due_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_notices"),
    )
    op.create_index("ix_notices_at", "notices", ["at", "id"], unique=False)
    op.create_index(
        "ix_notices_due_at",
        "notices",
        ["due_at"],
        unique=False,
        sqlite_where=sa.text("due_at IS NOT NULL"),
        postgresql_where=sa.text("due_at IS NOT NULL"),
    )
    op.create_index("ix_notices_episode_id", "notices", ["episode_id"], unique=False)
    op.create_index("ix_notices_pile_id", "notices", ["pile_id"], unique=False)
    op.create_table(
        "people",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("on_duty", sa.Text(), nullable=False),
        sa.Column("escalate_to", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["escalate_to"], ["people.id"], name="fk_people_escalate_to"),
        sa.PrimaryKeyConstraint("id", name="pk_people"),
    )
    op.create_table(
        "quarantine",
        sa.Column(
            "id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False
        ),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_quarantine"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_quarantine_received_at", "quarantine", ["received_at"], unique=False)
    op.create_table(
        "tokens",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=True),
        sa.Column("last_used_at", sa.BigInteger(), nullable=True),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("purpose", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_tokens"),
        sa.UniqueConstraint("digest", name="uq_tokens_digest"),
    )
    op.create_table(
        "channels",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=True),
        sa.Column("disabled_at", sa.BigInteger(), nullable=True),
        sa.Column("disabled_why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_channels_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_channels"),
    )
    op.create_index("ix_channels_person_id", "channels", ["person_id"], unique=False)
    op.create_table(
        "subscriptions",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("pile_id", sa.Text(), nullable=True),
        sa.Column("kinds", sa.JSON(), nullable=True),
        sa.Column("min_severity", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_subscriptions_person_id"),
        sa.ForeignKeyConstraint(["pile_id"], ["piles.id"], name="fk_subscriptions_pile_id"),
        sa.ForeignKeyConstraint(["site"], ["sites.slug"], name="fk_subscriptions_site"),
        sa.PrimaryKeyConstraint("id", name="pk_subscriptions"),
    )
    op.create_index("ix_subscriptions_person_id", "subscriptions", ["person_id"], unique=False)
