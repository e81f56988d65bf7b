"""An import brings what the file holds, once, and takes back exactly what it brought."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.file_layout import FileError
from shared.import_preview import as_one_probe, preview_of
from shared.imports import ImportRefused, find_import, imports_of, run_import, start_import, undo_import
from shared.piles import Pile, Placement, Site
from shared.ports import ReadingsStore, Registry
from shared.reading_files import ReadingsFile, read_readings
from shared.readings import Reading, SensorKey
from shared.stores import open_readings, open_registry
from shared.times import HOUR, Millis, Span, iso, parse_time

BUILT = parse_time("2026-09-01T08:00:00Z")
NOW = parse_time("2026-11-25T12:00:00Z")
PILE = Pile("p1", "yard", "K-01", BUILT)
KEY = SensorKey("yard", "logger", "45")


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    found = open_registry(tmp_path / "registry.db")
    found.sites.add(Site("yard", "Larkfield Yard", "Europe/Dublin"))
    found.piles.add(PILE)
    found.piles.add(Pile("p2", "yard", "K-02", BUILT))
    yield found
    found.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingsStore]:
    found = open_readings(tmp_path / "readings.db")
    yield found
    found.close()


def file(folder: Path, text: str, zone: str | None = None) -> ReadingsFile:
    path = folder / "logger.csv"
    path.write_text(text, "utf-8")
    return read_readings(path, zone=zone, site="yard")


def hourly(count: int, celsius: float = 60.0, start: Millis = BUILT) -> str:
    rows = [iso(Millis(start + hour * HOUR)) for hour in range(count)]
    return "time,probe,depth_cm,celsius\n" + "".join(f"{at},logger,45,{celsius}\n" for at in rows)


def load(registry: Registry, store: ReadingsStore, read: ReadingsFile, pile: Pile = PILE) -> str:
    record = start_import(registry, store, read, pile, name="logger.csv", by="Maker", now=NOW)
    return run_import(registry, store, read, record).id


def test_a_preview_says_what_was_understood_and_stores_nothing(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    read = file(
        tmp_path,
        "Time;core 45 cm (F);top 20 cm (F)\n2026-09-02 10:00;140,0;131,0\n2026-09-02 10:30;ERR;131,9\n"
        "2026-08-01 10:00;70;70\n2027-08-01 10:00;70;70\n2026-09-02 10:00;140,0;131,0\n",
        zone="Europe/Dublin",
    )
    found = preview_of(registry, read, PILE, NOW)
    assert (found.rows, found.readings, found.faults, found.refused, found.repeats) == (5, 5, 1, 2, 2)
    assert found.outside == 2
    core = next(one for one in found.sensors if one.depth == "45")
    assert core.high_c == pytest.approx(60.0)
    assert core.last_at == parse_time("2026-09-02T09:00:00Z"), "local time of summer"
    assert core.faults == 1
    assert any("before the build" in note for note in found.notes)
    assert any("not in order" in note for note in found.notes)
    assert found.clash == ""
    assert store.count() == 0
    assert registry.probes.all() == []


def test_an_import_is_placed_counted_and_known_by_name(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    record = find_import(registry, load(registry, store, file(tmp_path, hourly(48))))
    assert (record.state, record.stored, record.known, record.total) == ("done", 48, 0, 48)
    (placed,) = registry.probes.placements(pile_id="p1")
    assert (placed.probe, placed.span.start) == ("logger", BUILT)
    assert registry.probes.named("yard", "logger") is not None
    assert [one.id for one in imports_of(registry, "p1")] == [record.id]
    assert imports_of(registry, "p2") == []


def test_the_same_file_twice_stores_nothing_twice(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    load(registry, store, file(tmp_path, hourly(48)))
    again = find_import(registry, load(registry, store, file(tmp_path, hourly(48))))
    assert (again.stored, again.known) == (0, 48)
    undo_import(registry, store, again)
    assert store.count() == 48, "taking back the second leaves the first"
    assert len(registry.probes.placements(pile_id="p1")) == 1


def test_undo_takes_back_what_came_and_leaves_what_was_there(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    store.append([Reading(KEY, Millis(BUILT + 3 * HOUR), 44.0, NOW)])
    record = find_import(registry, load(registry, store, file(tmp_path, hourly(48))))
    assert store.count() == 48
    assert undo_import(registry, store, record) == 47
    curve = store.read(KEY, Span(Millis(0)))
    assert curve.value.tolist() == [44.0]
    assert registry.probes.placements(pile_id="p1") == []
    assert find_import(registry, record.id).state == "undone"


def test_an_import_that_was_cut_off_can_be_taken_back_or_gone_on_with(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    read = file(tmp_path, hourly(48))
    record = start_import(registry, store, read, PILE, name="logger.csv", by="Maker", now=NOW)
    store.append([Reading(KEY, Millis(BUILT), 60.0, NOW)])  # the first of them, then the power went
    assert find_import(registry, record.id).state == "running"
    assert undo_import(registry, store, find_import(registry, record.id)) == 1
    assert store.count() == 0
    second = start_import(registry, store, read, PILE, name="logger.csv", by="Maker", now=NOW)
    store.append([Reading(KEY, Millis(BUILT), 60.0, NOW)])
    assert run_import(registry, store, read, second).state == "done"
    assert store.count() == 48


def test_a_placement_that_a_person_took_away_does_not_stop_the_undo(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    record = find_import(registry, load(registry, store, file(tmp_path, hourly(4))))
    registry.probes.delete_placement(record.placed[0])
    assert undo_import(registry, store, record) == 4


def test_a_probe_that_stood_elsewhere_is_refused_before_anything_is_stored(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    registry.probes.place(Placement("w", "yard", "logger", "p2", Span(BUILT), "middle"))
    read = file(tmp_path, hourly(4))
    assert "K-02" in preview_of(registry, read, PILE, NOW).clash
    with pytest.raises(ImportRefused, match="K-02"):
        load(registry, store, read)
    assert store.count() == 0
    assert imports_of(registry) == []


def test_columns_can_be_depths_of_one_probe(tmp_path: Path) -> None:
    read = file(tmp_path, "time,core 45 cm,top 20 cm\n2026-09-02T10:00:00Z,60,55\n")
    assert set(as_one_probe(read, "logger").curves) == {KEY, SensorKey("yard", "logger", "20")}
    same = file(tmp_path, "time,left 45 cm,right 45 cm\n2026-09-02T10:00:00Z,60,55\n")
    with pytest.raises(FileError, match="cannot be depths of one probe"):
        as_one_probe(same, "logger")


def test_a_long_record_of_what_came_stays_small(
    registry: Registry, store: ReadingsStore, tmp_path: Path
) -> None:
    record = find_import(registry, load(registry, store, file(tmp_path, hourly(2000))))
    assert len(record.model_dump_json()) < 1000
