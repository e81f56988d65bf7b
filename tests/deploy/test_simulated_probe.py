"""The reference probe: what it sends is read by our own decoder, and shows each of its habits and faults."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from deploy.cli import run
from deploy.simulated_probe import FAULTS, Fault, Habits, Sending, messages
from ingest.broker import EmbeddedBroker
from ingest.decoders import Decoders
from ingest.pipeline import IngestLoop
from shared.ports import ReadingsStore
from shared.readings import ArrivalMark, Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import DAY, HOUR, MINUTE, Millis, Span, SystemClock, parse_time
from tests.ingest.brokers import running, wait_for

BEGIN = parse_time("2026-11-20T00:00:00Z")
END = Millis(BEGIN + 3 * DAY)
TOPIC = "turnbell/larkfield/lance-01/readings"


@cache
def sent(**habits: object) -> list[Sending]:
    return list(messages("lance-01", Habits(**habits), BEGIN, END))  # type: ignore[arg-type]  # of a test's choice


def read(sendings: list[Sending], depth: str = "15") -> list[Reading]:
    """Temperatures of one depth, decoded as the ingester does; a refusal fails the test."""
    found: list[Reading] = []
    for one in sendings:
        decoded = Decoders({}).decode(TOPIC, one.payload, one.at)
        assert not decoded.refused
        found += [reading for reading in decoded.readings if reading.sensor.depth == depth]
    return found


def test_it_measures_every_interval_and_sends_each_at_once() -> None:
    sendings = sent(interval_ms=20 * MINUTE)
    assert [later.at - earlier.at for earlier, later in pairwise(sendings)] == [20 * MINUTE] * (
        len(sendings) - 1
    )
    assert [one.at for one in read(sendings)] == [one.at for one in sendings]
    assert max(one.value for one in read(sendings, "75")) > 40, "the pile heats"


def test_the_same_seed_is_the_same_probe_and_another_is_another() -> None:
    everything = frozenset(FAULTS)
    assert sent.__wrapped__(faults=everything) == sent(faults=everything)
    assert sent(seed=1) != sent(seed=2)


def test_asleep_it_keeps_its_measurements_and_sends_them_together() -> None:
    awake, asleep = sent(), sent(sleep=6)
    assert len(asleep) == len(awake) // 6
    assert [(one.at, one.value) for one in read(asleep)] == [(one.at, one.value) for one in read(awake)]


def test_after_an_outage_it_fills_in_what_it_measured_meanwhile() -> None:
    through, cut = sent(), sent(outage_every_ms=10 * HOUR, outage_ms=5 * HOUR)
    longest = max(later.at - earlier.at for earlier, later in pairwise(cut))
    assert 5 * HOUR <= longest <= 5 * HOUR + 20 * MINUTE
    known = [(one.at, one.value) for one in read(through)]
    assert [(one.at, one.value) for one in read(cut)] == known[: len(read(cut))]
    assert len(read(cut)) > 0.8 * len(known)


def test_its_clock_drifts() -> None:
    drifted = read(sent(drift_ppm=1000))
    ahead = [one.at - one.received_at for one in drifted]
    assert ahead[0] == pytest.approx(10 * MINUTE / 1000, abs=2)
    assert ahead[-1] == pytest.approx(3 * DAY / 1000, abs=2)


@pytest.mark.parametrize(
    ("fault", "value"), [("power_on", 85.0), ("disconnected", -127.0), ("failed", 127.94)]
)
def test_now_and_then_a_sensor_gives_a_word_instead_of_a_value(fault: Fault, value: float) -> None:
    values = [one.value for one in read(sent(faults=frozenset({fault})))]
    assert 0 < values.count(value) < len(values) / 10
    assert value not in [one.value for one in read(sent())]


def test_a_stuck_sensor_stays_and_the_others_move() -> None:
    sendings = sent(faults=frozenset({"stuck"}))
    later = [one.value for one in read(sendings) if one.at >= BEGIN + 1.5 * DAY]
    assert len(set(later)) == 1
    assert len({one.value for one in read(sendings, "45")}) > 10


def test_pulled_out_all_depths_read_the_air() -> None:
    sendings = sent(faults=frozenset({"pulled_out"}))
    out = [one for one in read(sendings, "75") if 0 <= one.at - (BEGIN + 2 * DAY) < 2 * HOUR]
    inside = [one for one in read(sent(), "75") if 0 <= one.at - (BEGIN + 2 * DAY) < 2 * HOUR]
    assert min(one.value for one in inside) - max(one.value for one in out) > 15


def test_dropouts_leave_single_values_out() -> None:
    got, whole = len(read(sent(faults=frozenset({"dropout"})))), len(read(sent()))
    assert 0.8 * whole < got < whole


def test_the_command_publishes_a_past_that_the_ingester_stores(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    readings = open_readings(tmp_path / "readings.db")
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    broker = EmbeddedBroker(tmp_path, "127.0.0.1", 0)
    broker.start()
    loop = IngestLoop(readings, registry, Settings(), SystemClock(), broker.host, broker.port)
    arguments = [
        "probe",
        "simulate",
        "lance-01",
        "--site",
        "larkfield",
        "--mqtt-port",
        str(broker.port),
        "--days",
        "1",
    ]
    try:
        with running(loop):
            assert run([*arguments, "--fault", "disconnected", "--sleep", "3"]) == 0
            wait_for(lambda: readings.count() == 48 * (9 + 2), 60, "all is stored")
        marks = {int(mark) for depth in ("15", "45", "75") for mark in _marks(readings, depth)}
        assert marks <= {0, int(ArrivalMark.SENTINEL)}
        assert not registry.quarantine.all()
    finally:
        broker.stop()
        readings.close()
        registry.close()
    assert "48 messages" in capsys.readouterr().out


def _marks(readings: ReadingsStore, depth: str) -> list[int]:
    found: list[int] = readings.read(SensorKey("larkfield", "lance-01", depth), Span(Millis(0))).mark.tolist()
    return found


@pytest.mark.parametrize(
    "wrong",
    [
        ["--depths", "a"],
        ["--depths", "15,15"],
        ["--site", "a b"],
        ["--username", "x"],
        ["--fault", "rust"],
        ["--days", "0"],
    ],
)
def test_a_mistake_costs_one_line(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["probe", "simulate", "lance-01", "--site", "larkfield", *wrong]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_no_broker_is_said_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        run(["probe", "simulate", "lance-01", "--site", "larkfield", "--mqtt-port", "9", "--days", "1"]) == 1
    )
    assert "no broker at 127.0.0.1:9" in capsys.readouterr().err
