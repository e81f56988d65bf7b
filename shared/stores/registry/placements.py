"""Where a probe is, from when to when: never in two places at once."""

from __future__ import annotations

from dataclasses import fields as dataclass_fields
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, RowMapping, insert, or_, select, update
from sqlalchemy import delete as sql_delete

from shared.piles import Placement
from shared.ports import Conflict, NotFound, StorageError
from shared.stores.registry import tables as t
from shared.stores.registry.piles import PILE
from shared.times import Span, iso

_FIELDS = {field.name for field in dataclass_fields(Placement)} - {"id"}


def placement_of(row: RowMapping) -> Placement:
    return Placement(
        id=row["id"],
        site=row["site"],
        probe=row["probe"],
        pile_id=row["pile_id"],
        span=Span(row["start_at"], row["end_at"]),
        position=row["position"],
        zone=row["zone"],
    )


def _row(placement: Placement) -> dict[str, Any]:
    return {
        "id": placement.id,
        "site": placement.site,
        "probe": placement.probe,
        "pile_id": placement.pile_id,
        "start_at": placement.span.start,
        "end_at": placement.span.end,
        "position": placement.position,
        "zone": placement.zone,
    }


def get(connection: Connection, placement_id: str) -> Placement:
    query = select(t.placements).where(t.placements.c.id == placement_id)
    row = connection.execute(query).mappings().first()
    if row is None:
        raise NotFound(f"there is no placement {placement_id}")
    return placement_of(row)


def put(connection: Connection, placement: Placement) -> None:
    _check(connection, placement)
    connection.execute(insert(t.placements), _row(placement))


def change(connection: Connection, placement_id: str, fields: dict[str, Any]) -> Placement:
    for name in fields:
        if name not in _FIELDS:
            raise StorageError(f"a placement has no {name} that could be changed")
    placement = replace(get(connection, placement_id), **fields)
    _check(connection, placement)
    connection.execute(update(t.placements).where(t.placements.c.id == placement_id).values(_row(placement)))
    return placement


def delete(connection: Connection, placement_id: str) -> None:
    gone = sql_delete(t.placements).where(t.placements.c.id == placement_id)
    if connection.execute(gone).rowcount == 0:
        raise NotFound(f"there is no placement {placement_id}")


def _check(connection: Connection, placement: Placement) -> None:
    """The caller's transaction writes facts, so no other placement can slip in between."""
    pile = PILE.get(connection, placement.pile_id)
    if pile.site != placement.site:
        raise Conflict(f"pile {pile.peg} is on site {pile.site}, not on {placement.site}")
    p, span = t.placements.c, placement.span
    query = select(t.placements).where(
        p.site == placement.site,
        p.probe == placement.probe,
        p.id != placement.id,
        or_(p.end_at.is_(None), p.end_at > span.start),
    )
    if span.end is not None:
        query = query.where(p.start_at < span.end)
    row = connection.execute(query.order_by(p.start_at)).mappings().first()
    if row is not None:
        other = placement_of(row)
        until = "on" if other.span.end is None else f"to {iso(other.span.end)}"
        peg = PILE.get(connection, other.pile_id).peg
        raise Conflict(
            f"probe {other.probe} is in pile {peg} from {iso(other.span.start)} {until}; change or end that placement first"
        )
