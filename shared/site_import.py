"""A site's zip (``shared.site_export``) into an installation that has no such site: all of it, or nothing.

Everything is read and checked, and what people said is written once and rolled back, before anything stays. Then the
readings go in, which nobody sees while the site is not there, and last, in one transaction, all that people said. One
that was cut off is simply done again.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import islice
from pathlib import Path

from shared.audit import COMMAND_LINE, Deed
from shared.ports import Conflict, NotFound, ReadingsStore, Registry
from shared.probes import Probe
from shared.put_away import put_away
from shared.readings import Reading, SensorKey
from shared.site_export import FEEDSTOCKS
from shared.site_file import Brought, SiteRefused, read_site, readings_of
from shared.times import Millis, Span, iso

BATCH = 5_000
_EVER = Span(Millis(-(2**62)))


class _Rehearsed(Exception):
    """What was written is to be rolled back."""


def bring_site(
    file: Path,
    registry: Registry,
    readings: ReadingsStore,
    data_dir: Path,
    now: Millis,
    on: Callable[[int], None],
) -> tuple[Brought, int]:
    """What came, and how many readings; ``on`` is told of those stored so far. Raises SiteRefused; StorageError and
    OSError pass through."""
    try:
        packed = zipfile.ZipFile(file)
    except FileNotFoundError:
        raise SiteRefused("there is no such file") from None
    except zipfile.BadZipFile:
        raise SiteRefused("it is no whole zip") from None
    with packed:
        brought = read_site(packed)
        _refuse_clashes(registry, data_dir, packed, brought)
        _refuse_other_readings(readings, packed, brought, now)
        _rehearse(registry, packed, brought, now)
        count, rows = 0, _all_readings(packed, brought, now)
        while batch := list(islice(rows, BATCH)):
            readings.append(batch)
            count += len(batch)
            on(count)
        _write_own_files(packed, data_dir, brought)
        with registry.begin() as tx:
            _write(tx, packed, brought, now)
    return brought, count


def _rehearse(registry: Registry, packed: zipfile.ZipFile, brought: Brought, now: Millis) -> None:
    with suppress(_Rehearsed), registry.begin() as tx:
        _write(tx, packed, brought, now)
        raise _Rehearsed


def _refuse_clashes(registry: Registry, data_dir: Path, packed: zipfile.ZipFile, brought: Brought) -> None:
    slug = brought.site.slug
    if any(site.slug == slug for site in registry.sites.all()):
        raise SiteRefused(f"there is a site {slug} here already")
    here = {pile.id: pile for pile in registry.piles.all()}
    for pile in brought.piles:
        if pile.id in here:
            held = here[pile.id]
            raise SiteRefused(f"there is a pile {pile.id} here already: {held.peg} of {held.site}")
    names = {person.id: person.name for person in registry.people.all()}
    for person in brought.people:
        if names.get(person.id, person.name) != person.name:
            raise SiteRefused(f"{person.id} is {names[person.id]} here and {person.name} in the file")
    for name in brought.parts:
        if not name.startswith(("rules/", "guides/")):
            continue
        file = data_dir / name
        if file.exists() and file.read_bytes() != packed.read(name):
            raise SiteRefused(f"{name} differs from the one here: rename the rule, or take it away first")


def _refuse_other_readings(
    readings: ReadingsStore, packed: zipfile.ZipFile, brought: Brought, now: Millis
) -> None:
    """Also reads every line, so that a broken one is found before anything is stored."""
    known = {one.sensor for one in readings.sensors(brought.site.slug)}
    held: dict[SensorKey, dict[int, float]] = {}
    for reading in _all_readings(packed, brought, now):
        if reading.sensor not in known:
            continue
        if reading.sensor not in held:
            curve = readings.read(reading.sensor, _EVER)
            held = {reading.sensor: dict(zip(curve.at.tolist(), curve.value.tolist(), strict=True))}
        if held[reading.sensor].get(reading.at, reading.value) != reading.value:
            raise SiteRefused(
                f"probe {reading.sensor.probe} of {brought.site.slug} has sent another reading here for {iso(reading.at)}"
            )


def _all_readings(packed: zipfile.ZipFile, brought: Brought, now: Millis) -> Iterator[Reading]:
    for name in brought.parts:
        if name.startswith("readings/"):
            yield from readings_of(packed, name, brought.site.slug, now)


def _write_own_files(packed: zipfile.ZipFile, data_dir: Path, brought: Brought) -> None:
    for name in brought.parts:
        if name.startswith(("rules/", "guides/")):
            file = data_dir / name
            file.parent.mkdir(exist_ok=True)
            file.write_bytes(packed.read(name))


def _write(tx: Registry, packed: zipfile.ZipFile, brought: Brought, now: Millis) -> None:
    try:
        _write_piles(tx, packed, brought)
        for probe in brought.probes:
            _add_probe(tx, probe)
        for placement in brought.placements:
            tx.probes.place(placement)
        for calibration in brought.calibrations:
            tx.probes.calibrate(calibration)
        _write_people_and_stuff(tx, brought)
        told = {"piles": len(brought.piles)}
        slug = brought.site.slug
        tx.audit.append(Deed(now, COMMAND_LINE, COMMAND_LINE, "sites.import", slug, slug, detail=told))
    except (Conflict, NotFound) as error:
        raise SiteRefused(str(error)) from error


def _write_piles(tx: Registry, packed: zipfile.ZipFile, brought: Brought) -> None:
    tx.sites.add(brought.site)
    for pile in brought.piles:
        tx.piles.add(pile)
    for turn in brought.turns:
        tx.piles.add_turn(turn)
    for note in brought.notes:
        tx.piles.add_note(note)
    for name in brought.parts:
        if name.startswith("photos/"):
            tx.piles.save_photo(name.removeprefix("photos/").removesuffix(".jpg"), packed.read(name))
    for kept in brought.put_away:
        put_away(tx, kept)


def _write_people_and_stuff(tx: Registry, brought: Brought) -> None:
    there = {person.id for person in tx.people.all()}
    for person in brought.people:
        if person.id not in there:
            tx.people.add(person)
    for name, text in brought.feedstocks.items():
        if name.startswith(FEEDSTOCKS) and not tx.memory.get(name):
            tx.memory.set(name, text)


def _add_probe(tx: Registry, probe: Probe) -> None:
    """One that has spoken here before the site was brought keeps its row."""
    if tx.probes.named(probe.site, probe.name) is None:
        tx.probes.add(probe)
