"""A yard's own feedstocks, kept beside the table of typical values; one of the same name takes its place."""

from __future__ import annotations

from pydantic import ValidationError

from shared.mix.recipe import TableRow, table
from shared.ports import Registry

_PREFIX = "feedstock."


def own_rows(registry: Registry) -> dict[str, TableRow]:
    """By name. One that a newer program wrote and this one cannot read is passed over."""
    found = {}
    for name, text in registry.memory.names(_PREFIX).items():
        if text:
            try:
                row = TableRow.model_validate_json(text)
            except ValidationError:
                continue
            found[name.removeprefix(_PREFIX)] = row
    return found


def all_rows(registry: Registry) -> dict[str, TableRow]:
    """What a recipe may name: own ones first."""
    own = own_rows(registry)
    return {**own, **{name: row for name, row in table().items() if name not in own}}


def keep_row(registry: Registry, row: TableRow) -> None:
    registry.memory.set(_PREFIX + row.name, row.model_dump_json(exclude_none=True))


def remove_row(registry: Registry, name: str) -> bool:
    """Whether there was one."""
    there = bool(registry.memory.get(_PREFIX + name))
    if there:
        registry.memory.set(_PREFIX + name, "")
    return there
