from __future__ import annotations

from shared.times import HOUR, MINUTE
from tests.alerts.watched import Yard

TEN = 10 * MINUTE


def test_a_silent_probe_is_told_when_its_deadline_has_come_without_any_new_reading(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.probe(pile, "p-02")
    yard.tick()
    for _ in range(2):
        yard.pass_time(TEN)
        yard.heard("p-02")
    yard.pass_time(9 * MINUTE)
    assert yard.told() == []
    yard.pass_time(MINUTE)
    yard.heard("p-02")
    yard.pass_time(TEN)
    (notice,) = yard.told()
    assert (notice.kind, notice.figures["probe"]) == ("probe_silent", "p-01")


def test_a_probe_that_is_heard_again_is_over_only_once_it_keeps_speaking(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.tick()
    yard.pass_time(40 * MINUTE)
    assert yard.says() == [("probe_silent", "first")]
    for _ in range(3):
        yard.heard("p-01")
        yard.tick()
        assert yard.registry.episodes.unresolved() != []
        yard.pass_time(TEN)
    assert yard.says() == [("probe_silent", "first"), ("probe_silent", "resolved")]


def test_a_probe_that_comes_and_goes_is_not_told_every_time(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.probe(pile, "p-02")
    yard.tick()
    for step in range(48):  # eight hours: half an hour of words, an hour of silence
        if step % 9 < 4:
            yard.heard("p-01")
        yard.heard("p-02")
        yard.pass_time(TEN)
    first = [n for n in yard.told() if n.reason == "first"]
    assert len(first) == 1


def test_a_probe_that_came_back_and_went_silent_for_good_is_told_of_again(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.tick()
    yard.pass_time(HOUR)
    for _ in range(5):
        yard.heard("p-01")
        yard.pass_time(TEN)
    assert yard.says() == [("probe_silent", "first"), ("probe_silent", "resolved")]
    yard.pass_time(5 * HOUR)
    assert len(yard.told()) == 2  # already told: nothing new yet
    assert [n.reason for n in yard.withheld()] == ["already_told"]
    yard.pass_time(9 * HOUR)
    assert [n.reason for n in yard.told()] == ["first", "first"]
    assert [n.reason for n in yard.withheld()] == [
        "overtaken",
        "already_told",
    ]  # not "heard again" beside "silent"


def test_a_whole_sites_silence_is_one_notice_and_not_forty(yard: Yard) -> None:
    yard.person("Ada")
    piles = [yard.pile(f"K-{number:02}") for number in range(1, 41)]
    names = [f"p-{number:02}" for number in range(1, 41)]
    for pile, name in zip(piles, names, strict=True):
        yard.probe(pile, name)
    yard.tick()
    for minute in range(60):  # each speaks at a minute of its own, until the gateway fails
        yard.clock.at += MINUTE
        yard.heard(*names[minute % 10 :: 10])
        yard.tick()
    yard.pass_time(2 * HOUR, step=MINUTE)
    assert yard.says() == [("service_trouble", "first")]
    (episode,) = [e for e in yard.registry.episodes.unresolved() if e.kind == "service_trouble"]
    assert (episode.site, episode.subject, episode.figures["probes"]) == ("larkfield", "radio", 40)
    assert {n.reason for n in yard.withheld()} == {"parent_trouble"}


def test_after_a_whole_sites_silence_the_one_probe_that_stays_silent_is_told(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    for name in ("p-01", "p-02", "p-03"):
        yard.probe(pile, name)
    yard.tick()
    yard.pass_time(2 * HOUR)
    assert yard.says() == [("service_trouble", "first")]
    for _ in range(6):
        yard.heard("p-01", "p-02")
        yard.pass_time(TEN)
    (silent,) = [n for n in yard.told() if n.kind == "probe_silent"]
    assert (silent.figures["probe"], silent.reason) == ("p-03", "first")
    assert [n.reason for n in yard.told() if n.kind == "service_trouble"] == ["first", "resolved"]


def test_a_probe_in_no_open_pile_may_be_silent(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.tick()
    yard.registry.piles.change(pile.id, finished_at=yard.clock.now())
    yard.book.touch(pile.id)
    yard.pass_time(3 * HOUR)
    assert yard.rows() == []


def test_silence_is_told_after_a_restart_in_the_middle_of_the_wait(yard: Yard) -> None:
    yard.person("Ada")
    pile = yard.pile()
    yard.probe(pile, "p-01")
    yard.tick()
    yard.pass_time(20 * MINUTE)
    yard.restart()
    yard.tick()
    assert yard.told() == []
    yard.pass_time(TEN)
    assert yard.says() == [("probe_silent", "first")]
