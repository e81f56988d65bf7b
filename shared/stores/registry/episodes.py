"""Episodes: at most one unresolved of a kind about one subject."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection, bindparam, or_, select

from shared.episodes import Episode, NoticeKind
from shared.ports import Conflict
from shared.stores.registry import tables_notices as t
from shared.stores.registry.rows import Shape
from shared.stores.registry.work import Work

EPISODE = Shape(Episode, t.episodes, "episode")
_UNRESOLVED, _BY_OPENING = t.episodes.c.state != "resolved", ("opened_at", "id")
_ALL_UNRESOLVED = EPISODE.query(_UNRESOLVED, order=_BY_OPENING)
_SAME = select(t.episodes).where(
    t.episodes.c.kind == bindparam("its_kind"),
    t.episodes.c.pile_id.is_not_distinct_from(bindparam("its_pile_id")),
    t.episodes.c.site.is_not_distinct_from(bindparam("its_site")),
    t.episodes.c.subject == bindparam("its_subject"),
    t.episodes.c.id != bindparam("its_id"),
    _UNRESOLVED,
)


class SqlEpisodes:
    def __init__(self, work: Work) -> None:
        self._work = work

    def put(self, episode: Episode) -> None:
        with self._work.write(f"keeping episode {episode.id}") as connection:
            _keep_apart(connection, episode)
            EPISODE.replace(connection, episode)

    def get(self, episode_id: str) -> Episode:
        with self._work.read("reading an episode") as connection:
            return EPISODE.get(connection, episode_id)

    def unresolved(self, pile_id: str | None = None) -> list[Episode]:
        if pile_id is not None:
            return self.unresolved_of([pile_id])[pile_id]
        with self._work.read("reading episodes") as connection:
            return EPISODE.listed(connection, _ALL_UNRESOLVED)

    def unresolved_of(self, pile_ids: Iterable[str]) -> dict[str, list[Episode]]:
        with self._work.read("reading episodes") as connection:
            return EPISODE.of_many(connection, "pile_id", pile_ids, _UNRESOLVED, order=_BY_OPENING)

    def all(
        self, *, pile_id: str | None = None, kind: NoticeKind | None = None, after: str = "", limit: int = 100
    ) -> list[Episode]:
        e = t.episodes.c
        query = select(t.episodes).order_by(e.opened_at.desc(), e.id.desc()).limit(limit)
        for column, wanted in ((e.pile_id, pile_id), (e.kind, kind)):
            if wanted is not None:
                query = query.where(column == wanted)
        with self._work.read("reading episodes") as connection:
            if after:
                last = EPISODE.get(connection, after)
                older = or_(e.opened_at < last.opened_at, (e.opened_at == last.opened_at) & (e.id < last.id))
                query = query.where(older)
            return EPISODE.listed(connection, query)


def _keep_apart(connection: Connection, episode: Episode) -> None:
    """The index holds this too; asking first gives the words."""
    if episode.state == "resolved":
        return
    about = {name: getattr(episode, name) for name in ("id", "kind", "pile_id", "site", "subject")}
    other = EPISODE.first(connection, _SAME, {f"its_{name}": value for name, value in about.items()})
    if other is not None:
        raise Conflict(f"episode {other.id} ({other.kind}) about the same is not resolved yet")
