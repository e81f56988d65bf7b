"""The audit log: entries are added, one after another, and never touched again."""

from __future__ import annotations

from sqlalchemy import Connection, RowMapping, func, insert, select

from shared.audit import FIRST, Deed, Entry, digest_after
from shared.stores.registry import tables_access as t
from shared.stores.registry.work import Work
from shared.times import Millis

_ONE_BY_ONE = 0x54424241  # PostgreSQL advisory lock: the next entry must know the last


class SqlAudit:
    def __init__(self, work: Work) -> None:
        self._work = work

    def append(self, deed: Deed) -> Entry:
        with self._work.write("writing the audit log") as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(select(func.pg_advisory_xact_lock(_ONE_BY_ONE)))
            seq, before = _last(connection)
            entry = Entry(seq + 1, deed, digest_after(before, seq + 1, deed))
            connection.execute(insert(t.audit), _row(entry))
            return entry

    def entries(self, *, after: int = 0, limit: int = 1000) -> list[Entry]:
        query = select(t.audit).where(t.audit.c.seq > after).order_by(t.audit.c.seq).limit(limit)
        with self._work.read("reading the audit log") as connection:
            return [_entry(row) for row in connection.execute(query).mappings()]

    def latest(self, *, before: int | None = None, limit: int = 100) -> list[Entry]:
        query = select(t.audit).order_by(t.audit.c.seq.desc()).limit(limit)
        if before is not None:
            query = query.where(t.audit.c.seq < before)
        with self._work.read("reading the audit log") as connection:
            return [_entry(row) for row in connection.execute(query).mappings()]


def _last(connection: Connection) -> tuple[int, str]:
    query = select(t.audit.c.seq, t.audit.c.digest).order_by(t.audit.c.seq.desc()).limit(1)
    row = connection.execute(query).first()
    return (0, FIRST) if row is None else (int(row.seq), str(row.digest))


def _row(entry: Entry) -> dict[str, object]:
    deed = entry.deed
    return {
        "seq": entry.seq, "at": deed.at, "who": deed.who, "by": deed.by, "act": deed.act, "what": deed.what,
        "site": deed.site, "source": deed.source, "detail": dict(deed.detail), "digest": entry.digest,
    }  # fmt: skip


def _entry(row: RowMapping) -> Entry:
    deed = Deed(
        Millis(row["at"]), row["who"], row["by"], row["act"], row["what"], row["site"], row["source"], row["detail"],
    )  # fmt: skip
    return Entry(row["seq"], deed, row["digest"])
