"""Between a frozen dataclass and its row: columns are named as fields are."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any, Generic, TypeVar

from sqlalchemy import (
    ColumnElement,
    Connection,
    Insert,
    RowMapping,
    Select,
    Table,
    Update,
    bindparam,
    insert,
    select,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite

from shared.ports import NotFound, StorageError

Thing = TypeVar("Thing")
AT_ONCE = 500  # owners in one question: databases bound the parameters of a statement


class Shape(Generic[Thing]):
    """Reads and writes one kind of thing. ``tuples`` names its fields that JSON keeps as lists."""

    def __init__(
        self, kind: type[Thing], table: Table, noun: str, *, key: str = "id", tuples: Sequence[str] = ()
    ) -> None:
        self.kind, self.table, self.noun, self.key = kind, table, noun, key
        self.fields = tuple(field.name for field in dataclasses.fields(kind))  # type: ignore[arg-type]  # Thing is a dataclass
        self._tuples = tuples
        self._insert = insert(table)
        self._of_key = select(table).where(table.c[key] == bindparam("of_key"))

    def row(self, thing: Thing) -> dict[str, Any]:
        row = {name: getattr(thing, name) for name in self.fields}
        for name in self._tuples:
            row[name] = None if row[name] is None else list(row[name])
        return row

    def thing(self, row: RowMapping) -> Thing:
        values = {name: row[name] for name in self.fields}
        for name in self._tuples:
            values[name] = None if values[name] is None else tuple(values[name])
        return self.kind(**values)

    def insert(self, connection: Connection, thing: Thing) -> None:
        connection.execute(self._insert, self.row(thing))

    def replace(self, connection: Connection, thing: Thing) -> None:
        upsert(connection, self.table, self.row(thing), (self.key,))

    def find(self, connection: Connection, *where: ColumnElement[bool]) -> Thing | None:
        return self.first(connection, select(self.table).where(*where))

    def first(
        self, connection: Connection, query: Select[Any], values: Mapping[str, Any] | None = None
    ) -> Thing | None:
        """``values``: what the query's own names stand for."""
        row = connection.execute(query, values).mappings().first()
        return None if row is None else self.thing(row)

    def get(self, connection: Connection, id_: str) -> Thing:
        found = self.first(connection, self._of_key, {"of_key": id_})
        if found is None:
            raise NotFound(f"there is no {self.noun} {id_}")
        return found

    def listed(
        self, connection: Connection, query: Select[Any], values: Mapping[str, Any] | None = None
    ) -> list[Thing]:
        return [self.thing(row) for row in connection.execute(query, values).mappings()]

    def of_many(
        self,
        connection: Connection,
        column: str,
        owners: Iterable[str],
        *where: ColumnElement[bool],
        order: Sequence[str],
    ) -> dict[str, list[Thing]]:
        """The things of each owner (named in ``column``), each list in ``order``."""
        found: dict[str, list[Thing]] = {owner: [] for owner in owners}
        asked = sorted(found)
        for start in range(0, len(asked), AT_ONCE):
            some = self.table.c[column].in_(asked[start : start + AT_ONCE])
            for thing in self.listed(connection, self.query(some, *where, order=order)):
                found[getattr(thing, column)].append(thing)
        return found

    def query(self, *where: ColumnElement[bool], order: Iterable[str]) -> Select[Any]:
        everything = _in_order(self.table, tuple(order))
        return everything.where(*where) if where else everything

    def changed(self, thing: Thing, fields: Mapping[str, Any]) -> Thing:
        for name in fields:
            if name not in self.fields or name == self.key:
                raise StorageError(f"a {self.noun} has no {name} that could be changed")
        return dataclasses.replace(thing, **fields)  # type: ignore[type-var]  # Thing is a dataclass

    def change(self, connection: Connection, id_: str, fields: Mapping[str, Any]) -> Thing:
        thing = self.changed(self.get(connection, id_), fields)
        row = self.row(thing)
        if fields:
            changes = {name: row[name] for name in fields}
            connection.execute(_change(self.table, self.key, tuple(changes)), {"of_key": id_, **changes})
        return thing


def upsert(connection: Connection, table: Table, row: Mapping[str, Any], key: Sequence[str]) -> None:
    connection.execute(_upsert(connection.dialect.name, table, tuple(row), tuple(key)), row)


def insert_unless_there(
    connection: Connection, table: Table, row: Mapping[str, Any], key: Sequence[str]
) -> bool:
    """True when the row went in; False when ``key`` was there already."""
    statement = _insert_unless_there(connection.dialect.name, table, tuple(key))
    return connection.execute(statement, row).first() is not None


# Statements are put together once and kept: putting one together costs as much as running it.


@cache
def _in_order(table: Table, order: tuple[str, ...]) -> Select[Any]:
    return select(table).order_by(*(table.c[name] for name in order))


@cache
def _change(table: Table, key: str, names: tuple[str, ...]) -> Update:
    return (
        update(table)
        .where(table.c[key] == bindparam("of_key"))
        .values({name: bindparam(name) for name in names})
    )


@cache
def _upsert(dialect: str, table: Table, names: tuple[str, ...], key: tuple[str, ...]) -> Insert:
    statement = _insert(dialect, table)
    rest = {name: statement.excluded[name] for name in names if name not in key}
    done: Insert = statement.on_conflict_do_update(index_elements=list(key), set_=rest)
    return done


@cache
def _insert_unless_there(dialect: str, table: Table, key: tuple[str, ...]) -> Insert:
    statement = _insert(dialect, table).on_conflict_do_nothing(index_elements=list(key))
    done: Insert = statement.returning(table.c[key[0]])
    return done


def _insert(dialect: str, table: Table) -> Any:
    return (postgresql if dialect == "postgresql" else sqlite).insert(table)
