"""Piles, their turns, notes and photos."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, bindparam, select

from shared.piles import FieldNote, Pile, Turn
from shared.ports import Conflict, NotFound
from shared.stores.registry import tables as t
from shared.stores.registry.rows import Shape, upsert
from shared.stores.registry.sites import SITE
from shared.stores.registry.work import Work

PILE = Shape(Pile, t.piles, "pile", tuples=("rule_ids",))
TURN = Shape(Turn, t.turns, "turn")
NOTE = Shape(FieldNote, t.notes, "note")
_TURNS = TURN.query(t.turns.c.pile_id == bindparam("of_pile"), order=["at", "id"])
_NOTES = NOTE.query(t.notes.c.pile_id == bindparam("of_pile"), order=["at", "id"])


class SqlPiles:
    def __init__(self, work: Work) -> None:
        self._work = work

    def add(self, pile: Pile) -> None:
        with self._work.write(f"adding pile {pile.peg}", facts=True) as connection:
            SITE.get(connection, pile.site)
            _keep_pegs_apart(connection, pile)
            PILE.insert(connection, pile)

    def get(self, pile_id: str) -> Pile:
        with self._work.read("reading a pile") as connection:
            return PILE.get(connection, pile_id)

    def by_peg(self, site: str, peg: str) -> Pile | None:
        p = t.piles.c
        query = (
            select(t.piles)
            .where(p.site == site, p.peg == peg)
            .order_by(p.finished_at.is_not(None), p.finished_at.desc(), p.built_at.desc(), p.id.desc())
            .limit(1)
        )
        with self._work.read("reading a pile") as connection:
            return next(iter(PILE.listed(connection, query)), None)

    def all(self, *, site: str | None = None, open_only: bool = False) -> list[Pile]:
        query = PILE.query(order=["site", "peg", "built_at", "id"])
        if site is not None:
            query = query.where(t.piles.c.site == site)
        if open_only:
            query = query.where(t.piles.c.finished_at.is_(None))
        with self._work.read("reading piles") as connection:
            return PILE.listed(connection, query)

    def change(self, pile_id: str, **fields: Any) -> Pile:
        with self._work.write("changing a pile", facts=True) as connection:
            pile = PILE.changed(PILE.get(connection, pile_id), fields)
            SITE.get(connection, pile.site)
            _keep_pegs_apart(connection, pile)
            return PILE.change(connection, pile_id, fields)

    def add_turn(self, turn: Turn) -> None:
        with self._work.write("adding a turn", facts=True) as connection:
            PILE.get(connection, turn.pile_id)
            TURN.insert(connection, turn)

    def change_turn(self, turn_id: str, **fields: Any) -> Turn:
        with self._work.write("changing a turn", facts=True) as connection:
            return TURN.change(connection, turn_id, fields)

    def turns(self, pile_id: str) -> list[Turn]:
        with self._work.read("reading turns") as connection:
            return TURN.listed(connection, _TURNS, {"of_pile": pile_id})

    def turns_of(self, pile_ids: Iterable[str]) -> dict[str, list[Turn]]:
        with self._work.read("reading turns") as connection:
            return TURN.of_many(connection, "pile_id", pile_ids, order=["at", "id"])

    def add_note(self, note: FieldNote) -> None:
        with self._work.write("adding a note", facts=True) as connection:
            PILE.get(connection, note.pile_id)
            NOTE.insert(connection, note)

    def notes(self, pile_id: str) -> list[FieldNote]:
        with self._work.read("reading notes") as connection:
            return NOTE.listed(connection, _NOTES, {"of_pile": pile_id})

    def notes_of(self, pile_ids: Iterable[str]) -> dict[str, list[FieldNote]]:
        with self._work.read("reading notes") as connection:
            return NOTE.of_many(connection, "pile_id", pile_ids, order=["at", "id"])

    def save_photo(self, note_id: str, jpeg: bytes) -> None:
        with self._work.write("keeping a photo") as connection:
            NOTE.get(connection, note_id)
            upsert(connection, t.photos, {"note_id": note_id, "jpeg": jpeg}, ("note_id",))

    def photo(self, note_id: str) -> bytes:
        query = select(t.photos.c.jpeg).where(t.photos.c.note_id == note_id)
        with self._work.read("reading a photo") as connection:
            jpeg = connection.execute(query).scalar_one_or_none()
        if jpeg is None:
            raise NotFound(f"note {note_id} has no photo")
        return bytes(jpeg)


def _keep_pegs_apart(connection: Connection, pile: Pile) -> None:
    """The index holds this too; asking first gives the words."""
    if pile.finished_at is not None:
        return
    p = t.piles.c
    other = PILE.find(
        connection, p.site == pile.site, p.peg == pile.peg, p.finished_at.is_(None), p.id != pile.id
    )
    if other is not None:
        raise Conflict(f"peg {pile.peg} of {pile.site} is in use by an open pile; finish that one first")
