from __future__ import annotations

from shared.ports import StorageError
from shared.times import DAY, MINUTE, SECOND
from tests.alerts.watched import Yard


def let_beat(yard: Yard, seconds: int, *loops: str) -> None:
    for _ in range(seconds // 10):
        yard.clock.at += 10 * SECOND
        yard.seconds += 10
        for loop in loops:
            yard.registry.memory.set(f"beat.{loop}", str(yard.now))
        yard.tick()


def test_a_loop_that_stops_beating_is_told_and_its_return_too(yard: Yard) -> None:
    yard.person("Ada")
    let_beat(yard, 60, "ingest", "send", "watch")
    assert yard.told() == []
    let_beat(yard, 50, "send", "watch")
    assert yard.told() == []
    let_beat(yard, 30, "send", "watch")
    (notice,) = yard.told()
    assert (notice.kind, notice.figures["part"], notice.site) == ("service_trouble", "ingest", None)
    let_beat(yard, 50, "ingest", "send", "watch")
    assert len(yard.told()) == 1
    let_beat(yard, 60, "ingest", "send", "watch")
    assert [n.reason for n in yard.told()] == ["first", "resolved"]


def test_a_loop_that_was_dead_before_the_restart_stays_told(yard: Yard) -> None:
    yard.person("Ada")
    let_beat(yard, 30, "ingest")
    let_beat(yard, 90)
    assert [n.reason for n in yard.told()] == ["first"]
    yard.restart()
    let_beat(yard, 300)
    assert [n.reason for n in yard.told()] == ["first"]


def test_a_store_that_fails_for_long_is_told(yard: Yard) -> None:
    yard.person("Ada")
    yard.pile()
    yard.book.fails = StorageError("the readings store does not answer")

    def tick() -> None:
        try:
            yard.tick()
        except StorageError as error:
            yard.watch._machine.store_failed(error)

    tick()
    assert yard.told() == []
    for _ in range(8):
        yard.clock.at += 10 * SECOND
        yard.seconds += 10
        tick()
    (notice,) = yard.told()
    assert (notice.figures["part"], notice.figures["why"]) == ("store", "the readings store does not answer")


def test_a_channel_that_was_given_up_is_told_by_another(yard: Yard) -> None:
    yard.person("Ada", ways=2)
    yard.tick()
    yard.registry.people.change_channel("ada-0", disabled_at=yard.now, disabled_why="no such mailbox")
    yard.clock.at += MINUTE
    yard.tick()
    (notice,) = yard.told()
    assert (notice.kind, notice.channel_id) == ("service_trouble", "ada-1")
    assert notice.figures["why"] == "no such mailbox"


def test_a_role_that_is_silent_for_thirty_days_was_taken_away_and_its_trouble_ends_by_itself(
    yard: Yard,
) -> None:
    yard.person("Ada")
    let_beat(yard, 30, "ingest", "send")
    let_beat(yard, 120, "send")
    assert yard.episode("service_trouble").figures["part"] == "ingest"
    yard.clock.at += 29 * DAY
    let_beat(yard, 120, "send")
    assert yard.episode("service_trouble").state == "open"
    yard.clock.at += 2 * DAY
    let_beat(yard, 180, "send")
    assert yard.registry.episodes.unresolved() == []
    over = len(yard.told())
    let_beat(yard, 300, "send")
    assert len(yard.told()) == over
    let_beat(yard, 30, "ingest", "send")  # it is back: its next silence is told again
    let_beat(yard, 120, "send")
    assert yard.episode("service_trouble").figures["part"] == "ingest"
