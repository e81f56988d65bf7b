from __future__ import annotations

import threading

import pytest

import alerts.worker as watching
from shared.heat.report import HeatReport
from shared.notices import Notice
from shared.ports import StorageError, StoreBusy
from shared.times import HOUR, MINUTE, Millis
from tests.alerts.made import a_report
from tests.alerts.watched import Yard


def test_an_episode_and_its_notices_are_stored_together_or_not_at_all(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.person("Ada")
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)

    def full(notice: Notice) -> bool:
        raise StoreBusy("disk full")

    with monkeypatch.context() as broken:
        broken.setattr(yard.registry.notices, "put", full)
        with pytest.raises(StoreBusy):
            yard.tick()
    assert yard.registry.episodes.unresolved() == []
    assert yard.rows() == []
    yard.tick()  # the same watch, with what it still has to look at
    assert yard.says() == [("turn_due", "first")]


def test_a_crash_after_the_commit_repeats_nothing(yard: Yard) -> None:
    yard.person("Ada")
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)
    yard.tick()
    (before,) = yard.told()
    yard.restart()
    yard.tick(times=2)
    assert [n.id for n in yard.told()] == [before.id]


def test_two_watches_at_once_tell_once(yard: Yard) -> None:
    yard.person("Ada")
    piles = [yard.pile(f"K-{number:02}") for number in range(1, 31)]
    for pile in piles:
        yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    other = yard.another_watch()
    other.name = "other"
    threads = [threading.Thread(target=watch.tick, args=(yard.clock.now(),)) for watch in (yard.watch, other)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert yard.heard_of() == [(pile.peg, "turn_due", "first") for pile in piles]
    assert len(yard.registry.episodes.unresolved()) == 30


def test_a_thousand_piles_going_bad_in_one_tick_are_a_thousand_posts_and_two_letters(yard: Yard) -> None:
    """A program gets each by itself; a person gets what a tick finds, 500 piles, in one letter that names them all."""
    yard.person("Ada")
    yard.person("Gate", kind="webhook")
    with yard.registry.begin():
        for number in range(1000):
            yard.pile(f"K-{number:04}")
    yard.tick()
    for number in range(1000):
        pile = yard.registry.piles.by_peg("larkfield", f"K-{number:04}")
        assert pile is not None
        yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    yard.tick()
    told = yard.told("Gate")
    assert len(told) == len({n.id for n in told}) == len({n.pile_id for n in told}) == 1000
    assert len(yard.heard_of("Ada")) == len({peg for peg, _, _ in yard.heard_of("Ada")}) == 1000
    assert len(yard.told("Ada")) == 2


def test_the_cost_of_a_tick_is_that_of_what_changed(yard: Yard) -> None:
    yard.person("Ada")
    with yard.registry.begin():
        piles = [yard.pile(f"K-{number:03}") for number in range(200)]
    yard.tick()
    yard.book.asked.clear()
    yard.tick()
    assert yard.book.asked == []
    yard.is_so(piles[7])
    yard.is_so(piles[8])
    yard.tick()
    assert sorted(yard.book.asked) == [piles[7].id, piles[8].id]


def test_a_pile_that_cannot_be_judged_does_not_keep_the_others_from_being_watched(yard: Yard) -> None:
    yard.person("Ada")
    bad, good = yard.pile("K-01"), yard.pile("K-02")
    yard.is_so(good, state="due", load=1.0, due_at=yard.now)

    def broken(now: Millis) -> HeatReport:
        raise ZeroDivisionError

    yard.book.said[bad.id] = broken
    stop = threading.Event()
    with pytest.raises(ZeroDivisionError):
        yard.watch.run(stop, lambda: None)

    def stop_soon() -> None:
        if yard.told():
            stop.set()

    yard.watch.run(stop, stop_soon)  # as the supervisor starts it again
    assert [n.peg for n in yard.told()] == ["K-02"]
    yard.book.said[bad.id] = lambda now: a_report(bad, now, state="due", load=1.0, due_at=now)
    yard.pass_time(11 * MINUTE)
    assert sorted(n.peg for n in yard.told()) == ["K-01", "K-02"]


def test_the_loop_beats_stops_and_lives_through_a_store_that_is_away(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(watching, "POLL_S", 0.01)
    monkeypatch.setattr(watching, "STORE_PAUSE_S", 0.01)
    yard.person("Ada")
    yard.is_so(yard.pile(), state="due", load=1.0, due_at=yard.now)
    yard.book.fails = StorageError("away")
    stop, beats = threading.Event(), threading.Event()
    thread = threading.Thread(target=yard.watch.run, args=(stop, beats.set))
    with caplog.at_level("INFO"):
        thread.start()
        assert not beats.wait(0.2)
        yard.book.fails = None
        assert beats.wait(10)
        stop.set()
        thread.join(5)
    assert not thread.is_alive()
    assert [r.message for r in caplog.records if "store_" in r.message] == [
        "loop=watch event=store_lost error=away",
        "loop=watch event=store_back",
    ]
    assert yard.says() == [("turn_due", "first")]


def test_a_clock_put_back_stops_nothing(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.tick()
    yard.clock.at -= HOUR
    yard.is_so(pile, state="due", load=1.0, due_at=yard.now)
    yard.tick()
    assert yard.says() == [("turn_due", "first")]
