"""What stands in a site's zip, read and checked; every refusal names the part and the line or the row."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, TypeVar, get_args

from pydantic import TypeAdapter, ValidationError

from shared.people import Person
from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.probes import Calibration, Probe
from shared.put_away import PutAway
from shared.readings import ArrivalMark, Quantity, Reading, SensorKey, canonical_depth
from shared.site_export import COLUMNS, FACTS, FORMAT, is_instant
from shared.times import Millis, TimeError, parse_time

Thing = TypeVar("Thing")
_PART = re.compile(
    r"readings/[A-Za-z0-9_-]{1,64}\.csv|photos/[A-Za-z0-9_-]+\.jpg|(rules|guides)/[^/\\\0]+\.toml"
)
_QUANTITIES = frozenset(get_args(Quantity))
_MARKS = sum(ArrivalMark)


class SiteRefused(Exception):
    """Nothing was brought; the text says why, with the line where there is one."""


@dataclass(frozen=True)
class Brought:
    site: Site
    piles: tuple[Pile, ...]
    turns: tuple[Turn, ...]
    notes: tuple[FieldNote, ...]
    probes: tuple[Probe, ...]
    placements: tuple[Placement, ...]
    calibrations: tuple[Calibration, ...]
    people: tuple[Person, ...]
    feedstocks: dict[str, str]
    put_away: tuple[PutAway, ...]
    parts: tuple[str, ...]


def read_site(packed: zipfile.ZipFile) -> Brought:
    try:
        told = json.loads(packed.read(FACTS))
    except KeyError:
        raise SiteRefused(f"it holds no {FACTS}: it is no export of a site") from None
    except json.JSONDecodeError as error:
        raise SiteRefused(f"{FACTS}, line {error.lineno}: {error.msg}") from None
    except (ValueError, zipfile.BadZipFile) as error:
        raise SiteRefused(f"{FACTS} cannot be read: {error}") from None
    if not isinstance(told, dict) or not isinstance(told.get("turnbell_site"), int):
        raise SiteRefused(f"{FACTS} is no export of a site")
    if told["turnbell_site"] > FORMAT:
        raise SiteRefused("it was written by a newer version of this program")
    parts = told.get("parts")
    if not isinstance(parts, dict):
        raise SiteRefused(f"{FACTS}, parts: a table of names and sums is wanted")
    for name, digest in parts.items():
        _check_part(packed, name, digest)
    brought = Brought(
        site=_many(Site, "site", [told.get("site")])[0],
        piles=_many(Pile, "piles", told.get("piles")),
        turns=_many(Turn, "turns", told.get("turns")),
        notes=_many(FieldNote, "notes", told.get("notes")),
        probes=_many(Probe, "probes", told.get("probes")),
        placements=_many(Placement, "placements", told.get("placements")),
        calibrations=_many(Calibration, "calibrations", told.get("calibrations")),
        people=_many(Person, "people", told.get("people")),
        feedstocks=_many(dict[str, str], "feedstocks", [told.get("feedstocks", {})])[0],
        put_away=_many(PutAway, "put_away", told.get("put_away", [])),
        parts=tuple(parts),
    )
    _refuse_strays(brought)
    return brought


def _check_part(packed: zipfile.ZipFile, name: str, digest: object) -> None:
    if not _PART.fullmatch(name):
        raise SiteRefused(f"{FACTS}, parts: {name!r} is no part of a site")
    summed = hashlib.sha256()
    try:
        with packed.open(name) as part:
            while block := part.read(1 << 20):
                summed.update(block)
    except (KeyError, zipfile.BadZipFile, EOFError, OSError) as error:
        raise SiteRefused(f"{name} cannot be read: {error}") from None
    if summed.hexdigest() != digest:
        raise SiteRefused(f"{name} is not what was written (its SHA-256 differs)")


def _many(kind: type[Thing], where: str, rows: object) -> tuple[Thing, ...]:
    if not isinstance(rows, list):
        raise SiteRefused(f"{FACTS}, {where}: a list is wanted")
    adapter = TypeAdapter(kind)
    found = []
    for number, row in enumerate(rows):
        place = f"{FACTS}, {where}[{number}]"
        try:
            found.append(adapter.validate_python(_inside(row)))
        except ValidationError as error:
            first = error.errors()[0]
            raise SiteRefused(
                f"{place}.{'.'.join(str(one) for one in first['loc'])}: {first['msg']}"
            ) from None
        except TimeError as error:
            raise SiteRefused(f"{place}: {error}") from None
    return tuple(found)


def _inside(row: object) -> object:
    """Instants as we hold them."""
    if not isinstance(row, dict):
        return row
    found: dict[str, Any] = dict(row)
    for name, value in row.items():
        if is_instant(name) and isinstance(value, str):
            found[name] = parse_time(value)
        if name == "span" and isinstance(value, dict):
            start, end = value.get("from"), value.get("to")
            found[name] = {
                "start": parse_time(start) if isinstance(start, str) else start,
                "end": parse_time(end) if isinstance(end, str) else end,
            }
    return found


def _refuse_strays(brought: Brought) -> None:
    """Every row belongs to the site and to a pile of it."""
    piles, slug = {pile.id for pile in brought.piles}, brought.site.slug
    owned: Sequence[tuple[str, Sequence[Pile | Probe | Placement | Calibration]]] = (
        ("piles", brought.piles), ("probes", brought.probes), ("placements", brought.placements),
        ("calibrations", brought.calibrations),
    )  # fmt: skip
    for where, rows in owned:
        for number, row in enumerate(rows):
            if row.site != slug:
                raise SiteRefused(f"{FACTS}, {where}[{number}]: it is of another site")
    named = [
        *(("turns", number, turn.pile_id) for number, turn in enumerate(brought.turns)),
        *(("notes", number, note.pile_id) for number, note in enumerate(brought.notes)),
        *(("placements", number, placed.pile_id) for number, placed in enumerate(brought.placements)),
        *(("put_away", number, kept.pile) for number, kept in enumerate(brought.put_away)),
    ]
    for where, number, pile_id in named:
        if pile_id not in piles:
            raise SiteRefused(f"{FACTS}, {where}[{number}]: there is no pile {pile_id!r} in the file")


def readings_of(packed: zipfile.ZipFile, name: str, slug: str, now: Millis) -> Iterator[Reading]:
    """Of one probe, as the part has them."""
    probe = name.removeprefix("readings/").removesuffix(".csv")
    with packed.open(name) as raw:
        rows = csv.reader(io.TextIOWrapper(raw, "utf-8", newline=""))
        try:
            _expect(tuple(next(rows, ())) == COLUMNS, f"the columns {', '.join(COLUMNS)} are wanted")
            for row in rows:
                yield _reading(row, slug, probe, now)
        except (ValueError, csv.Error) as error:
            raise SiteRefused(f"{name}, line {max(rows.line_num, 1)}: {error}") from None


def _reading(row: Sequence[str], slug: str, probe: str, now: Millis) -> Reading:
    _expect(len(row) == len(COLUMNS), f"{len(COLUMNS)} cells are wanted, not {len(row)}")
    time, depth, quantity, value, mark = row
    number, bits = float(value), int(mark)
    _expect(quantity in _QUANTITIES, f"no quantity is called {quantity!r}")
    _expect(isfinite(number), f"{value} is no reading")
    _expect(bits >= 0 and not bits & ~_MARKS, f"{mark} is no mark")
    _expect(depth == canonical_depth(depth), f"depth {depth!r} is to be written {canonical_depth(depth)!r}")
    key = SensorKey(slug, probe, depth, quantity)  # type: ignore[arg-type]  # looked at above
    return Reading(key, parse_time(time), number, now, ArrivalMark(bits))


def _expect(holds: bool, words: str) -> None:
    if not holds:
        raise ValueError(words)
