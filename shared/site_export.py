"""A whole site as open files in one zip: JSON for what was said, CSV for the readings, JPEG for the pictures, TOML for
rules and guides of one's own. No secret is in it: of the people told of it there are the names, of channels and accounts nothing."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any

from shared.heat_book import HeatBook
from shared.people import told_of
from shared.ports import NotFound, ReadingsStore, Registry
from shared.times import DAY, Millis, Span, iso

FORMAT = 1
FACTS = "site.json"
EXPORTED = "sites.export"  # the deed, in the audit log
COLUMNS = ("time", "depth", "quantity", "value", "mark")
PERSON = ("id", "name", "zone", "units", "language", "on_duty")
FEEDSTOCKS = "feedstock."
_STRETCH = 30 * DAY


def write_site(
    slug: str,
    registry: Registry,
    readings: ReadingsStore,
    book: HeatBook,
    data_dir: Path,
    target: IO[bytes],
    now: Millis,
) -> int:
    """Write the zip into ``target``; gives how many readings it holds. NotFound: no such site."""
    facts = _facts(slug, registry, book, now)
    parts: dict[str, str] = {}
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
        count = 0
        for probe in sorted({one.sensor.probe for one in readings.sensors(slug)}):
            name = f"readings/{probe}.csv"
            count += _write_part(packed, name, _rows(readings, slug, probe), parts)
        for note in facts["notes"]:
            if note["kind"] == "photo" and (jpeg := _photo(registry, note["id"])):
                _write_part(packed, f"photos/{note['id']}.jpg", iter([jpeg]), parts)
        for kind in ("rules", "guides"):
            for file in sorted((data_dir / kind).glob("*.toml")):
                _write_part(packed, f"{kind}/{file.name}", iter([file.read_bytes()]), parts)
        packed.writestr(FACTS, json.dumps(facts | {"parts": parts}, indent=1, ensure_ascii=False))
    return count


def said(row: Any) -> dict[str, Any]:
    """The fields of a row; instants as ISO 8601 UTC."""
    fields = asdict(row)
    for name, value in fields.items():
        if is_instant(name) and value is not None:
            fields[name] = iso(Millis(value))
    if isinstance(getattr(row, "span", None), Span) and "span" in fields:
        span: Span = row.span
        fields["span"] = {"from": iso(span.start), "to": None if span.end is None else iso(span.end)}
    return fields


def is_instant(name: str) -> bool:
    return name in {"at", "valid_from"} or name.endswith("_at")


def _facts(slug: str, registry: Registry, book: HeatBook, now: Millis) -> dict[str, Any]:
    piles = registry.piles.all(site=slug)
    ids = [pile.id for pile in piles]
    turns, notes = registry.piles.turns_of(ids), registry.piles.notes_of(ids)
    told = told_of(
        registry.people.all(),
        registry.people.subscriptions(),
        lambda one: one.site == slug or one.pile_id in turns,
    )
    kept = [(one, gone) for id_ in ids if (thinned := book.thinned(id_)) for one, gone in [thinned]]
    return {
        "turnbell_site": FORMAT,
        "exported_at": iso(now),
        "site": said(registry.sites.get(slug)),
        "piles": [said(one) for one in piles],
        "turns": [said(one) for id_ in ids for one in turns[id_]],
        "notes": [said(one) for id_ in ids for one in notes[id_]],
        "probes": [said(one) for one in registry.probes.all(slug)],
        "placements": [said(one) for one in registry.probes.placements(site=slug) if one.pile_id in turns],
        "calibrations": [said(one) for one in registry.probes.calibrations(slug)],
        "people": [
            {name: getattr(one, name) for name in PERSON} for one in registry.people.all() if one.id in told
        ],
        "feedstocks": {name: text for name, text in registry.memory.names(FEEDSTOCKS).items() if text},
        "put_away": [one.model_copy(update={"gone_elsewhere": gone}).model_dump() for one, gone in kept],
    }


def _photo(registry: Registry, note_id: str) -> bytes | None:
    try:
        return registry.piles.photo(note_id)
    except NotFound:
        return None


def _rows(readings: ReadingsStore, slug: str, probe: str) -> Iterator[bytes]:
    """By sensor, each by time."""
    yield _line(COLUMNS)
    for one in readings.sensors(slug, probe):
        start = one.first_at
        while start <= one.last_at:
            curve = readings.read(one.sensor, Span(start, Millis(start + _STRETCH)))
            yield from (
                _line((iso(Millis(at)), one.sensor.depth, one.sensor.quantity, repr(value), str(mark)))
                for at, value, mark in zip(
                    curve.at.tolist(), curve.value.tolist(), curve.mark.tolist(), strict=True
                )
            )
            start = Millis(start + _STRETCH)


def _line(cells: tuple[str, ...]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue().encode()


def _write_part(packed: zipfile.ZipFile, name: str, pieces: Iterator[bytes], parts: dict[str, str]) -> int:
    """Gives how many pieces there were after the first."""
    digest, count = hashlib.sha256(), -1
    with packed.open(name, "w", force_zip64=True) as part:
        for piece in pieces:
            part.write(piece)
            digest.update(piece)
            count += 1
    parts[name] = digest.hexdigest()
    return count
