"""Reports at hand: never after a change, never too old, few at once."""

from __future__ import annotations

from collections import Counter

from api.pages.kept_reports import OLDEST_MS, RENEW_AT_ONCE, RENEW_MS, KeptReports
from shared.heat.report import HeatReport
from shared.times import DAY, Millis
from tests.pages.histories import BUILT, history, report

NOW = Millis(BUILT + 3 * DAY)


class CountingBook:
    """A book that says what it was asked."""

    def __init__(self) -> None:
        self.asked: Counter[str] = Counter()
        self.changed: set[str] = set()
        self._one = report(history({"45": [50.0] * 10}))

    def report(self, pile_id: str, now: Millis) -> HeatReport:
        self.asked[pile_id] += 1
        return self._one.model_copy(update={"pile": pile_id, "as_of": now})

    def poll(self, consumer: str) -> set[str]:
        changed, self.changed = self.changed, set()
        return changed


def ask(kept: KeptReports, piles: list[str], now: Millis) -> list[Millis]:
    kept.prepare(piles, now)
    return [kept.report(pile, now).as_of for pile in piles]


def test_what_did_not_change_is_worked_out_once() -> None:
    book = CountingBook()
    kept = KeptReports(book)  # type: ignore[arg-type]  # asks for these two methods alone
    ask(kept, ["a", "b"], NOW)
    assert ask(kept, ["a", "b"], Millis(NOW + 1000)) == [NOW, NOW]
    assert book.asked == {"a": 1, "b": 1}


def test_a_pile_that_changed_is_worked_out_again_at_once() -> None:
    book = CountingBook()
    kept = KeptReports(book)  # type: ignore[arg-type]  # as above
    ask(kept, ["a", "b"], NOW)
    book.changed = {"b"}
    assert ask(kept, ["a", "b"], Millis(NOW + 1)) == [NOW, NOW + 1]


def test_old_ones_are_renewed_a_few_at_a_time_the_oldest_first() -> None:
    book = CountingBook()
    kept = KeptReports(book)  # type: ignore[arg-type]  # as above
    piles = [f"p{n:03d}" for n in range(100)]
    ask(kept, piles, NOW)
    later = Millis(NOW + RENEW_MS + 1)
    assert ask(kept, piles, later).count(later) == RENEW_AT_ONCE
    even_later = Millis(later + 1)
    seen = ask(kept, piles, even_later)
    assert (seen.count(even_later), seen.count(later)) == (RENEW_AT_ONCE, RENEW_AT_ONCE)


def test_nothing_too_old_is_shown_even_if_all_of_it_is() -> None:
    book = CountingBook()
    kept = KeptReports(book)  # type: ignore[arg-type]  # as above
    piles = [f"p{n:03d}" for n in range(100)]
    ask(kept, piles, NOW)
    much_later = Millis(NOW + OLDEST_MS + 1)
    assert set(ask(kept, piles, much_later)) == {much_later}


def test_a_clock_that_went_back_renews() -> None:
    book = CountingBook()
    kept = KeptReports(book)  # type: ignore[arg-type]  # as above
    ask(kept, ["a"], NOW)
    assert ask(kept, ["a"], Millis(NOW - 1)) == [NOW - 1]
