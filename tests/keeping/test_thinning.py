"""Old readings are thinned; what finished batches say, open piles and whoever writes meanwhile are left in peace."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.document_hash import data_hash
from deploy import thinning
from deploy.house import House
from deploy.nightly import NightlyLoop
from shared.piles import FieldNote, Turn
from shared.put_away import PUT_AWAY
from shared.readings import Reading, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.keeping.aged_yard import BUILT, EVER, FINISHED, NOW, opened, sums


@pytest.fixture
def house(data: Path) -> Iterator[House]:
    with opened(data) as house:
        yield house


def told(house: House) -> dict[str, str]:
    """All that the two finished batches say, at their finish and now."""
    piles = [house.registry.piles.get(one) for one in ("old", "later")]
    closed = house.book.closed_reports(piles)
    return {f"{id_} {when}": report.model_dump_json() for when, reports in (
        ("closed", closed), ("now", house.book.reports(closed, NOW)),
    ) for id_, report in reports.items()}  # fmt: skip


def rows(house: House) -> dict[SensorKey, list[tuple[int, float, int]]]:
    found = house.readings.read_many([one.sensor for one in house.readings.sensors()], EVER)
    return {
        key: list(zip(c.at.tolist(), c.value.tolist(), c.mark.tolist(), strict=True))
        for key, c in found.items()
    }


def test_a_finished_batch_says_the_same_to_the_last_digit_also_after_a_restart(data: Path) -> None:
    with opened(data) as house:
        before, count, hashed = told(house), house.readings.count(), data_hash(house.book.history("old"))
        tally = thinning.thin(house)
        assert tally.gone["old"] > 0.5 * tally.seen["old"]
        assert house.readings.count() == count - tally.total
        assert told(house) == before
    with opened(data) as house:
        assert told(house) == before
        thinned = house.book.thinned("old")
        assert thinned is not None
        assert thinned[0].data_hash == hashed
        assert thinned[1] == tally.gone["old"]
        later = Millis(NOW + 30 * DAY)
        report, present = house.book.report("old", later), house.book.report("old", NOW)
        assert report == present.model_copy(update={"as_of": later, "moisture": report.moisture})


def test_what_a_finished_batch_says_does_not_change_with_the_years(house: House) -> None:
    """Why it can be put away."""
    early, late = (house.book.report("old", at) for at in (Millis(NOW - 300 * DAY), NOW))
    assert early.model_copy(update={"as_of": NOW, "moisture": late.moisture}) == late


def test_open_piles_and_batches_finished_lately_keep_every_reading(house: House) -> None:
    before = rows(house)
    tally = thinning.thin(house)
    assert tally.seen["later"] == tally.seen["open"] == 0
    after = rows(house)
    for key, whole in before.items():
        assert set(after[key]) <= set(whole)
        assert (after[key][0], after[key][-1]) == (whole[0], whole[-1])
        if key.probe == "P2" and key.quantity == "temperature":
            assert [one for one in after[key] if one[0] >= BUILT] == [one for one in whole if one[0] >= BUILT]
        if key.probe == "P1":
            assert [one for one in after[key] if one[0] > FINISHED] == [
                one for one in whole if one[0] > FINISHED
            ]
    loose = SensorKey("yard", "loose", "45")
    assert len(after[loose]) < 0.5 * len(before[loose])


def test_hours_spells_gaps_and_peaks_of_the_kept_readings_are_those_of_all(house: House) -> None:
    """What holds even without the record that was put away."""
    before = house.book.report("old", FINISHED)
    thinning.thin(house)
    house.registry.memory.set(PUT_AWAY + "old", "{}")
    after = house.book.report("old", FINISHED)
    assert "thinned away" in after.coverage.note
    assert sums(after) == sums(before)
    assert after.sensors[0].readings < before.sensors[0].readings


@pytest.mark.parametrize("change", ["turn", "reading"])
def test_what_is_changed_afterwards_is_worked_out_anew_and_says_so(house: House, change: str) -> None:
    thinning.thin(house)
    if change == "turn":
        house.registry.piles.add_turn(Turn("t2", "old", Millis(BUILT + 40 * HOUR)))
    else:
        late = Millis(BUILT + 40 * HOUR + 1)
        house.readings.append([Reading(SensorKey("yard", "P1", "45"), late, 71.0, NOW)])
    report = house.book.report("old", NOW)
    assert "changed after the whole record was put away" in report.coverage.note


def test_a_picture_or_a_remark_years_later_changes_no_figure(house: House) -> None:
    before = told(house)
    thinning.thin(house)
    house.registry.piles.add_note(FieldNote("n2", "old", "remark", NOW, "sold"))
    assert told(house) == before


def test_thinning_again_takes_nothing_and_asks_for_no_curve(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    thinning.thin(house)
    monkeypatch.setattr(house.book, "lines", lambda pile: pytest.fail(f"{pile} was read again"))
    assert thinning.thin(house).seen == {}


def test_what_was_thinned_to_ten_minutes_is_thinned_to_an_hour_when_it_is_older(data: Path) -> None:
    with opened(data) as house:
        before = told(house)
    with opened(data, now=Millis(NOW - 200 * DAY)) as house:
        first = thinning.thin(house)
    with opened(data) as house:
        second = thinning.thin(house)
        assert first.gone["old"] > 0 < second.gone["old"]
        assert told(house) == before


def test_a_dry_run_says_what_would_go_and_changes_nothing(data: Path) -> None:
    with opened(data) as house:
        before, reports = rows(house), told(house)
        would = thinning.thin(house, dry_run=True)
        assert rows(house) == before
        assert house.registry.memory.names(PUT_AWAY) == {}
        assert would.gone == thinning.thin(house).gone
        assert told(house) == reports


def test_a_kill_in_the_middle_loses_nothing_and_the_rest_is_done_the_next_time(
    aged: Path, tmp_path: Path
) -> None:
    with opened(shutil.copytree(aged, tmp_path / "whole")) as house:
        before = told(house)
        thinning.thin(house)
        whole = rows(house)
    pieces = [1, 9, 32, 48]
    yards = [shutil.copytree(aged, tmp_path / str(piece)) for piece in pieces]
    command = [sys.executable, "-m", "tests.keeping.thin_child"]
    for yard, piece in zip(yards, pieces, strict=True):
        command += [str(yard), str(piece)]
    ended = subprocess.run(command, check=True, timeout=300, capture_output=True, text=True).stdout.split()
    assert ended == [str(-signal.SIGKILL)] * len(pieces)
    for yard in yards:
        with opened(yard) as house:
            assert told(house) == before
            thinning.thin(house)
            assert told(house) == before
            assert rows(house) == whole


def test_who_writes_meanwhile_is_served_between_two_short_steps(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "AT_ONCE", 500)
    key = SensorKey("yard", "P1", "45")
    stored: list[Millis] = []
    steps: list[int] = []

    def write() -> None:
        at = Millis(NOW + len(stored) * MINUTE)
        house.readings.append([Reading(key, at, 50.0, at)])
        stored.append(at)

    def go_on() -> bool:
        writer = threading.Thread(target=write)
        writer.start()
        writer.join(60)
        steps.append(len(stored))
        return True

    thinning.thin(house, go_on=go_on)
    assert steps == list(range(1, len(steps) + 1))
    assert len(steps) > 5
    assert house.readings.read(key, Span(NOW)).at.tolist() == stored


def test_a_night_is_done_once_and_made_up_for(house: House) -> None:
    loop = NightlyLoop(house)
    assert loop.step(lambda: True)
    assert house.readings.thinned()["old"] > 0
    assert not loop.step(lambda: True)
    house.clock.at = Millis(NOW + DAY)  # type: ignore[attr-defined]
    assert loop.step(lambda: True)


def test_a_night_that_is_cut_off_is_not_counted_as_done(house: House) -> None:
    assert not NightlyLoop(house).step(lambda: False)
    assert house.readings.thinned() == {}
    assert NightlyLoop(house).step(lambda: True)
