"""Small named facts, and answers given once."""

from __future__ import annotations

from sqlalchemy import Connection, bindparam, delete, select

from shared.stores.registry import tables as t
from shared.stores.registry.rows import insert_unless_there, upsert
from shared.stores.registry.work import Work
from shared.times import Millis

_VALUE = select(t.memory.c.value).where(t.memory.c.name == bindparam("its_name"))


class SqlMemory:
    def __init__(self, work: Work) -> None:
        self._work = work

    def get(self, name: str) -> str | None:
        with self._work.read("recalling") as connection:
            return _value(connection, name)

    def set(self, name: str, value: str) -> None:
        with self._work.write(f"remembering {name}") as connection:
            upsert(connection, t.memory, {"name": name, "value": value}, ("name",))

    def set_once(self, name: str, value: str) -> str:
        with self._work.write(f"remembering {name}") as connection:
            insert_unless_there(connection, t.memory, {"name": name, "value": value}, ("name",))
            return _value(connection, name) or ""

    def remember(self, key: str, scope: str, answer: str, at: Millis) -> str | None:
        a = t.answers.c
        row = {"scope": scope, "key": key, "answer": answer, "at": at}
        with self._work.write("remembering an answer") as connection:
            if insert_unless_there(connection, t.answers, row, ("scope", "key")):
                return None
            held: str = connection.execute(
                select(a.answer).where(a.scope == scope, a.key == key)
            ).scalar_one()
            return held

    def forget_answers(self, before: Millis) -> int:
        with self._work.write("forgetting old answers") as connection:
            return connection.execute(delete(t.answers).where(t.answers.c.at < before)).rowcount

    def names(self, prefix: str) -> dict[str, str]:
        """By name."""
        m = t.memory.c
        query = select(m.name, m.value).where(m.name.startswith(prefix, autoescape=True)).order_by(m.name)
        with self._work.read("recalling") as connection:
            found = [(row.name, row.value) for row in connection.execute(query)]
        # LIKE takes a for A in SQLite
        return {name: value for name, value in found if name.startswith(prefix)}


def _value(connection: Connection, name: str) -> str | None:
    value: str | None = connection.execute(_VALUE, {"its_name": name}).scalar_one_or_none()
    return value
