"""The outbox: a notice is sent by whoever holds its lease, and only by them."""

from __future__ import annotations

from typing import Any

from sqlalchemy import bindparam, func, or_, select, update

from shared.notices import Notice
from shared.stores.registry import tables_notices as t
from shared.stores.registry.rows import Shape, insert_unless_there
from shared.stores.registry.work import Work
from shared.times import Millis

NOTICE = Shape(Notice, t.notices, "notice")
_SOONEST = select(func.min(t.notices.c.due_at)).where(t.notices.c.due_at.is_not(None))
_DUE = update(t.notices).where(t.notices.c.id == bindparam("its_id")).values(due_at=bindparam("due_at"))


class SqlNotices:
    def __init__(self, work: Work) -> None:
        self._work = work

    def put(self, notice: Notice) -> bool:
        with self._work.write(f"keeping notice {notice.id}") as connection:
            return insert_unless_there(connection, t.notices, _row(notice), ("id",))

    def get(self, notice_id: str) -> Notice:
        with self._work.read("reading a notice") as connection:
            return NOTICE.get(connection, notice_id)

    def change(self, notice_id: str, **fields: Any) -> Notice:
        with self._work.write("changing a notice") as connection:
            notice = NOTICE.change(connection, notice_id, fields)
            connection.execute(_DUE, {"its_id": notice_id, "due_at": _due_at(notice)})
            return notice

    def claim(self, now: Millis, lease_ms: int, limit: int) -> list[Notice]:
        n = t.notices.c
        due = (
            select(t.notices)
            .where(n.due_at <= now)
            .order_by(n.at, n.id)
            .limit(limit)
            .with_for_update(skip_locked=True)
        )
        lease = {"state": "sending", "leased_until": now + lease_ms, "due_at": now + lease_ms}
        with self._work.write("claiming notices") as connection:
            ids = [row["id"] for row in connection.execute(due).mappings()]
            if not ids:
                return []
            mine = n.id.in_(ids)
            connection.execute(update(t.notices).where(mine).values(lease))
            return NOTICE.listed(connection, NOTICE.query(mine, order=["at", "id"]))

    def of_episode(self, episode_id: str) -> list[Notice]:
        query = NOTICE.query(t.notices.c.episode_id == episode_id, order=["at", "id"])
        with self._work.read("reading notices") as connection:
            return NOTICE.listed(connection, query)

    def all(
        self, *, pile_id: str | None = None, kind: str | None = None, person_id: str | None = None,
        after: str = "", limit: int = 100,
    ) -> list[Notice]:  # fmt: skip
        n = t.notices.c
        query = select(t.notices).order_by(n.at.desc(), n.id.desc()).limit(limit)
        for column, wanted in ((n.pile_id, pile_id), (n.kind, kind), (n.person_id, person_id)):
            if wanted is not None:
                query = query.where(column == wanted)
        with self._work.read("reading notices") as connection:
            if after:
                last = NOTICE.get(connection, after)
                query = query.where(or_(n.at < last.at, (n.at == last.at) & (n.id < last.id)))
            return NOTICE.listed(connection, query)

    def next_due(self) -> Millis | None:
        with self._work.read("reading notices") as connection:
            soonest: int | None = connection.execute(_SOONEST).scalar_one()
        return None if soonest is None else Millis(soonest)


def _row(notice: Notice) -> dict[str, Any]:
    return {**NOTICE.row(notice), "due_at": _due_at(notice)}


def _due_at(notice: Notice) -> int | None:
    """When a claim may take it. Not before ``at`` would be wrong: a clock put back must not hold a notice up."""
    if notice.state == "waiting":
        return max(notice.next_try_at or 0, notice.not_before or 0)
    if notice.state == "held":
        return notice.not_before or 0
    return (notice.leased_until or 0) if notice.state == "sending" else None
