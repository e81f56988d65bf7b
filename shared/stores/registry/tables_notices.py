"""The tables of who is told what: people and their channels, episodes, notices."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Table, Text, func, text

from shared.stores.registry.columns import id_, json_kind, maybe, metadata, needed

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
