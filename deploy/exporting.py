"""A site's piles as open files: JSON for what was said and worked out, CSV for the readings."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from api.readings_csv import csv_pieces
from deploy.errors import UserError
from shared.heat_book import HeatBook
from shared.piles import Pile
from shared.ports import Registry
from shared.site_export import said
from shared.times import Millis


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
        "pile": said(pile),
        "turns": [said(turn) for turn in registry.piles.turns(pile.id)],
        "notes": [said(note) for note in registry.piles.notes(pile.id)],
        "placements": [said(placement) for placement in registry.probes.placements(pile_id=pile.id)],
        "heat": book.report(pile.id, now).model_dump(mode="json"),
    }
