"""A message without a time of its own, delivered again: one reading, at the instant when it first came in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from ingest.batch import Batch, Intake
from ingest.decoders import Decoders
from ingest.session import Message
from ingest.undated import NAME, Undated
from ingest.upkeep import Upkeep
from ingest.writer import Writer
from shared.ports import StoreBusy
from shared.readings import SensorKey
from shared.settings import QuarantineBounds
from shared.times import Millis, Span, SystemClock
from tests.ingest.conftest import Stores

TOPIC = "turnbell/larkfield/K-01/readings"
NOW = SystemClock().now()


class Ticks:
    """Another second at every look."""

    def __init__(self) -> None:
        self.at = NOW

    def now(self) -> Millis:
        self.at = Millis(self.at + 1000)
        return self.at


CLOCK = Ticks()


class Process:
    """An ingester's decoding and writing, without a broker."""

    def __init__(self, stores: Stores) -> None:
        upkeep, undated = Upkeep(), Undated(100)
        self.intake = Intake(Decoders({}), CLOCK, upkeep, undated)
        self.writer = Writer(stores.readings, stores.registry, upkeep, CLOCK, QuarantineBounds())
        undated.load(self.writer.recall())

    def takes(self, *messages: Message) -> Batch:
        for message in messages:
            self.intake.take(message)
        batch = self.intake.hand_over()
        self.writer.commit(batch)
        return batch


def message(value: float, mid: int = 5, **more: Any) -> Message:
    return Message(TOPIC, f'{{"celsius":{{"45":{value}}}}}'.encode(), mid, 1, 1, **more)


def instants(stores: Stores) -> list[tuple[int, float]]:
    found = stores.readings.read(SensorKey("larkfield", "K-01", "45"), Span(Millis(0)))
    return list(zip(found.at.tolist(), found.value.tolist(), strict=True))


def test_a_message_that_was_stored_and_not_acknowledged_before_a_kill_is_stored_once(stores: Stores) -> None:
    Process(stores).takes(message(50))
    before = instants(stores)
    Process(stores).takes(message(50, dup=True))
    assert instants(stores) == before
    assert len(before) == 1


def test_a_kill_between_the_note_and_the_readings_leaves_the_first_time_of_receipt(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    killed = Process(stores)

    def full(*_: object) -> None:
        raise StoreBusy("killed here")

    killed.intake.take(message(50))
    came_at = CLOCK.at
    with monkeypatch.context() as here:
        here.setattr(killed.writer, "_append", full)
        with pytest.raises(StoreBusy):
            killed.writer.commit(killed.intake.hand_over())
    Process(stores).takes(message(50, dup=True))
    assert instants(stores) == [(came_at, 50.0)]


def test_the_same_value_measured_again_is_another_reading(stores: Stores) -> None:
    process = Process(stores)
    process.takes(message(50), message(50, mid=6), message(50, mid=7))
    process.takes(message(50))  # the number is used anew, by a new message
    assert len(instants(stores)) == 4


def test_another_message_under_a_known_number_is_new_even_when_marked_as_delivered_again(
    stores: Stores,
) -> None:
    process = Process(stores)
    process.takes(message(50))
    process.takes(message(51, dup=True))
    assert [value for _, value in instants(stores)] == [50.0, 51.0]


def test_a_retained_message_is_one_reading_however_often_we_subscribe(stores: Stores) -> None:
    Process(stores).takes(message(50, mid=1, retain=True))
    Process(stores).takes(message(50, mid=9, retain=True))
    assert len(instants(stores)) == 1


def test_relative_times_lean_on_the_first_receipt_too(stores: Stores) -> None:
    pack = Message(TOPIC, b'[{"n":"t/45","u":"Cel","v":50,"t":-60},{"n":"t/45","u":"Cel","v":51}]', 5, 1, 1)
    Process(stores).takes(pack)
    Process(stores).takes(replace(pack, dup=True))
    assert len(instants(stores)) == 2


def test_a_message_with_its_own_time_costs_no_note(stores: Stores) -> None:
    timed = b'{"time":"2026-11-01T00:00:00Z","celsius":{"45":50}}'
    Process(stores).takes(Message(TOPIC, timed, 5, 1, 1))
    assert stores.registry.memory.names(NAME) == {}


def test_no_more_is_kept_than_a_broker_has_under_way() -> None:
    undated = Undated(3)
    for mid in range(10):
        undated.note(message(50, mid), NOW)
    again = Undated(3)
    again.load(undated.dump())
    known = [mid for mid in range(10) if again.came_before(message(50, mid, dup=True))]
    assert known == [7, 8, 9]


@pytest.mark.parametrize("text", [None, "", "[]", "5", '{"5":1}', '{"5":["a","b"]}', "{"])
def test_a_note_that_cannot_be_read_counts_as_none(text: str | None) -> None:
    undated = Undated(3)
    undated.load(text)
    assert undated.came_before(message(50, dup=True)) is None
