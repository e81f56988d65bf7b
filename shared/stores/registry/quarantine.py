"""What came in and could not be used."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import delete, func, insert, select

from shared.ports import Quarantined, Refused
from shared.stores.registry import tables as t
from shared.stores.registry.work import Work
from shared.times import Millis

WHOLE_BYTES = 64 * 1024  # as large as a message may be; a larger one can never be used
KEPT_BYTES = 4096  # of a larger one
CEILING = 100_000  # rows, whatever the settings say and however seldom somebody prunes


class SqlQuarantine:
    def __init__(self, work: Work) -> None:
        self._work = work

    def put(self, received_at: Millis, topic: str, reason: str, payload: bytes) -> None:
        self.put_all([Refused(received_at, topic, reason, payload)])

    def put_all(self, messages: Sequence[Refused]) -> None:
        rows = [
            {
                "received_at": received_at,
                "topic": _storable(topic),
                "reason": _storable(reason),
                "payload": bytes(payload if len(payload) <= WHOLE_BYTES else payload[:KEPT_BYTES]),
                "size": len(payload),
            }
            for received_at, topic, reason, payload in messages
        ]
        if not rows:
            return
        newest = select(func.max(t.quarantine.c.id)).scalar_subquery()
        with self._work.write("putting messages into quarantine") as connection:
            connection.execute(insert(t.quarantine), rows)
            connection.execute(delete(t.quarantine).where(t.quarantine.c.id <= newest - CEILING))

    def all(self, *, before: int | None = None, limit: int = 100) -> list[Quarantined]:
        q = t.quarantine.c
        query = select(t.quarantine).order_by(q.id.desc()).limit(limit)
        if before is not None:
            query = query.where(q.id < before)
        with self._work.read("reading the quarantine") as connection:
            return [Quarantined(**row) for row in connection.execute(query).mappings()]

    def remove(self, ids: Sequence[int]) -> None:
        with self._work.write("emptying the quarantine") as connection:
            for start in range(0, len(ids), 500):
                some = t.quarantine.c.id.in_(ids[start : start + 500])
                connection.execute(delete(t.quarantine).where(some))

    def prune(self, *, older_than: Millis, keep_at_most: int, keep_bytes: int | None = None) -> int:
        """Gives how many went."""
        q = t.quarantine.c
        too_many = select(q.id).order_by(q.id.desc()).offset(max(keep_at_most, 0)).limit(1).scalar_subquery()
        with self._work.write("pruning the quarantine") as connection:
            gone = connection.execute(delete(t.quarantine).where(q.received_at < older_than)).rowcount
            gone += connection.execute(delete(t.quarantine).where(q.id <= too_many)).rowcount
            if keep_bytes is not None:
                so_far = func.sum(func.length(q.payload)).over(order_by=q.id.desc()).label("so_far")
                sizes = select(q.id, so_far).subquery()
                too_large = select(func.max(sizes.c.id)).where(sizes.c.so_far > keep_bytes).scalar_subquery()
                gone += connection.execute(delete(t.quarantine).where(q.id <= too_large)).rowcount
            return gone


def _storable(text: str) -> str:
    """Text that every database takes: no NUL, no half of a surrogate pair."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "\ufffd")
