"""Reports at hand: never after a change, never older than asked, as many as patience allows."""

from __future__ import annotations

import pytest

from shared.heat import compose
from shared.heat.engine import PileHeat
from shared.heat_book import AT_LEAST, HeatBook
from shared.piles import Pile, Placement, Turn
from shared.readings import SensorKey
from shared.times import DAY, HOUR, MINUTE, SECOND, Millis, Span
from shared.warm_loop import WarmLoop
from tests.heat.book_yard import BUILT, CATALOGUE, GAP, KEY, Yard


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The piles whose sums were made, in order."""
    found: list[str] = []
    made = compose.report_of

    def counting(heat: PileHeat, *rest: object) -> object:
        found.append(heat.facts.pile.id)
        return made(heat, *rest)  # type: ignore[arg-type]  # handed on as they came

    monkeypatch.setattr("shared.heat_book.report_of", counting)
    return found


def test_what_did_not_change_is_worked_out_once(yard: Yard, worked_out: list[str]) -> None:
    yard.hear(KEY, 0, 60, 60, 60)
    first = yard.book.reports(["pile-1", "pile-2"], yard.now, fresh_ms=MINUTE)
    later = yard.book.reports(["pile-1", "pile-2"], Millis(yard.now + MINUTE), fresh_ms=MINUTE)
    assert later == first
    assert sorted(worked_out) == ["pile-1", "pile-2"]
    yard.book.reports(["pile-1"], Millis(yard.now + MINUTE + 1), fresh_ms=MINUTE)
    assert worked_out.count("pile-1") == 2


def test_without_patience_for_age_a_report_is_of_this_instant(yard: Yard) -> None:
    yard.hear(KEY, 0, 60, 60, 60)
    for later_ms in (0, 1, 2):
        now = Millis(yard.now + later_ms)
        assert yard.book.report("pile-1", now).as_of == now


@pytest.mark.parametrize("by", ["reading", "withdrawn", "turn", "rules"])
def test_no_kept_report_outlives_a_change(yard: Yard, by: str) -> None:
    yard.hear(KEY, 0, *[60.0] * 10)
    ask = {"now": yard.now, "fresh_ms": DAY, "oldest_ms": DAY, "patience_s": 0.0}
    before = yard.book.reports(["pile-1"], **ask)  # type: ignore[arg-type]  # a dict of several kinds
    if by == "reading":
        yard.hear(KEY, 9.5, 60)
        ask["now"] = yard.now
    elif by == "withdrawn":
        yard.readings.withdraw([(KEY, Millis(BUILT + 4 * HOUR))])
    elif by == "turn":
        yard.registry.piles.add_turn(Turn("turn-1", "pile-1", Millis(BUILT + 5 * HOUR)))
    else:
        yard.registry.piles.change("pile-1", rule_ids=("us-ca-static",))
    after = yard.book.reports(["pile-1"], **ask)  # type: ignore[arg-type]  # as above
    assert after != before
    assert after["pile-1"].model_dump_json() == yard.afresh()


def test_a_reading_ahead_of_the_clock_ends_a_kept_report_when_its_time_comes(yard: Yard) -> None:
    yard.hear(KEY, 0, 60, 60, 60)
    early = Millis(BUILT + 90 * MINUTE)
    assert yard.book.reports(["pile-1"], early, fresh_ms=DAY)["pile-1"].hottest.hours_above["55"] == 1
    late = Millis(BUILT + 2 * HOUR)
    assert yard.book.reports(["pile-1"], late, fresh_ms=DAY)["pile-1"].hottest.hours_above["55"] == 2


def test_a_clock_that_went_back_renews(yard: Yard) -> None:
    yard.hear(KEY, 0, 60, 60)
    yard.book.report("pile-1", Millis(yard.now + 1000))
    assert yard.book.reports(["pile-1"], yard.now, fresh_ms=DAY)["pile-1"].as_of == yard.now


def test_without_patience_what_was_never_worked_out_waits_and_what_is_old_stands_in(
    yard: Yard, worked_out: list[str]
) -> None:
    for number in range(30):
        yard.registry.piles.add(Pile(f"more-{number:02d}", "larkfield", f"M-{number:02d}", BUILT))
    piles = [f"more-{number:02d}" for number in range(30)]
    now = Millis(BUILT + DAY)
    first = yard.book.reports(piles, now, patience_s=0.0)
    assert (len(first), len(worked_out)) == (AT_LEAST, AT_LEAST)
    yard.book.reports(piles, now)
    later = Millis(now + 5 * MINUTE)
    again = yard.book.reports(piles, later, fresh_ms=MINUTE, oldest_ms=10 * MINUTE, patience_s=0.0)
    assert sorted(report.as_of for report in again.values()) == [now] * (30 - AT_LEAST) + [later] * AT_LEAST
    too_late = Millis(now + HOUR)
    assert len(yard.book.reports(piles, too_late, oldest_ms=10 * MINUTE, patience_s=0.0)) == AT_LEAST


def test_many_piles_read_together_say_the_same_as_one_by_one(yard: Yard) -> None:
    for number in range(40):
        name, key = f"many-{number:02d}", SensorKey("larkfield", f"Q-{number:02d}", "45")
        yard.registry.piles.add(Pile(name, "larkfield", name, BUILT, rule_ids=("three-turns",)))
        yard.registry.probes.place(
            Placement(f"stay-{name}", "larkfield", key.probe, name, Span(BUILT), "middle")
        )
        yard.hear(key, number / 7, *[50.0 + number] * (20 + number))
    together = yard.book.reports([f"many-{number:02d}" for number in range(40)], yard.now)
    alone = HeatBook(yard.readings, yard.registry, CATALOGUE, GAP)
    for name, report in together.items():
        assert report == alone.report(name, yard.now)


def test_a_finished_pile_is_worked_out_once_for_its_finish(yard: Yard, worked_out: list[str]) -> None:
    yard.hear(KEY, 0, *[60.0] * 10)
    yard.registry.piles.change("pile-1", finished_at=Millis(BUILT + 8 * HOUR))
    pile = yard.registry.piles.get("pile-1")
    first = yard.book.closed_reports([pile])["pile-1"]
    yard.book.report("pile-1", yard.now)
    assert yard.book.closed_reports([pile])["pile-1"] is first
    assert (first.as_of, first.hottest.hours_above["55"]) == (BUILT + 8 * HOUR, 8)
    assert len(worked_out) == 2
    yard.readings.withdraw([(KEY, Millis(BUILT + k * HOUR)) for k in (3, 4, 5)])
    assert yard.book.closed_reports([pile])["pile-1"].hottest.hours_above["55"] == 4


def test_the_warm_loop_leaves_nothing_for_a_visitor_to_wait_for(yard: Yard, worked_out: list[str]) -> None:
    yard.hear(KEY, 0, *[60.0] * 10)
    yard.registry.piles.add(
        Pile("old", "larkfield", "K-00", BUILT, finished_at=Millis(BUILT + HOUR), rule_ids=("three-turns",))
    )
    drawn: list[str | None] = []
    loop = WarmLoop(
        yard.registry, yard.book, _Stopped(yard.now),
        beside_watch=False, then=lambda reports, _patience_s: drawn.extend(report.pile for report in reports),
    )  # fmt: skip
    while not loop.step(yard.now):
        pass
    assert set(drawn) == {"pile-1", "pile-2"}
    worked_out.clear()
    open_ones = yard.book.reports(["pile-1", "pile-2"], Millis(yard.now + 10 * SECOND), fresh_ms=30 * SECOND)
    closed = yard.book.closed_reports([yard.registry.piles.get("old")])
    assert (set(open_ones), set(closed), worked_out) == ({"pile-1", "pile-2"}, {"old"}, [])


class _Stopped:
    def __init__(self, at: Millis) -> None:
        self._at = at

    def now(self) -> Millis:
        return self._at
