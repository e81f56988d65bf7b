"""A site's piles as open files: JSON for what was said and worked out, CSV for the readings."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from api.readings_csv import csv_pieces
from deploy.errors import UserError
from shared.heat_book import HeatBook
from shared.piles import Pile
from shared.ports import Registry
from shared.times import Millis, Span, iso


def export_piles(
    registry: Registry, book: HeatBook, piles: Sequence[Pile], folder: Path, now: Millis
) -> Iterator[Path]:
    """Write ``<peg>-<id>.json`` and ``.csv`` for each pile into ``folder``; give each file once it is written.

    Raises UserError when the folder holds something already.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UserError(f"{folder} is not an empty directory")
    folder.mkdir(parents=True, exist_ok=True)
    for pile in piles:
        stem = f"{''.join(letter if letter.isalnum() or letter == '-' else '_' for letter in pile.peg)}-{pile.id}"
        facts = folder / f"{stem}.json"
        facts.write_text(json.dumps(_facts(registry, book, pile, now), indent=1, ensure_ascii=False), "utf-8")
        yield facts
        rows = folder / f"{stem}.csv"
        with rows.open("w", encoding="utf-8", newline="") as handle:
            handle.writelines(csv_pieces(book.history(pile.id)))
        yield rows


def _facts(registry: Registry, book: HeatBook, pile: Pile, now: Millis) -> dict[str, Any]:
    return {
        "pile": _said(pile),
        "turns": [_said(turn) for turn in registry.piles.turns(pile.id)],
        "notes": [_said(note) for note in registry.piles.notes(pile.id)],
        "placements": [_said(placement) for placement in registry.probes.placements(pile_id=pile.id)],
        "heat": book.report(pile.id, now).model_dump(mode="json"),
    }


def _said(row: Any) -> dict[str, Any]:
    """The fields of a row; instants as ISO 8601 UTC."""
    fields = asdict(row)
    for name, value in fields.items():
        if (name == "at" or name.endswith("_at")) and value is not None:
            fields[name] = iso(Millis(value))
    if isinstance(getattr(row, "span", None), Span) and "span" in fields:
        span: Span = row.span
        fields["span"] = {"from": iso(span.start), "to": None if span.end is None else iso(span.end)}
    return fields
