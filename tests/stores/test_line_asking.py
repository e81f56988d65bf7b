"""Many sensors of a far store are asked for in few questions."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from shared.readings import Reading, SensorKey
from shared.stores.line.asking import READINGS_AT_ONCE, groups, pieces, questions
from shared.stores.line.victoria import Victoria as VictoriaRemote
from shared.times import HOUR, MINUTE, Millis
from tests.contracts.influx_stub import stub
from tests.contracts.lines import Settled
from tests.contracts.readings_made import EVER, listed
from tests.contracts.victoria import Victoria
from tests.stores.line_yard import BEGAN

SENSORS = st.builds(
    SensorKey,
    st.sampled_from(["a", "b"]),
    st.sampled_from(["P1", "P2", "P3"]),
    st.sampled_from(["", "15", "45", "top"]),
    st.sampled_from(["temperature", "moisture"]),
)


@given(st.sets(SENSORS))
def test_the_groups_name_every_sensor_once_and_no_other(wanted: set[SensorKey]) -> None:
    named = [
        SensorKey(group.site, probe, depth, group.quantity)  # type: ignore[arg-type]  # as it went in
        for group in groups(wanted)
        for probe in group.probes
        for depth in group.depths
    ]
    assert sorted(named) == sorted(wanted)


@given(st.dictionaries(SENSORS, st.integers(0, READINGS_AT_ONCE * 2)), st.integers(1, 4))
def test_a_piece_has_not_too_many_sensors_nor_readings(readings: dict[SensorKey, int], at_once: int) -> None:
    cut = list(pieces(readings, at_once))
    assert sorted(sensor for piece in cut for sensor in piece) == sorted(readings)
    for piece in cut:
        assert len(piece) <= at_once
        assert len(piece) == 1 or sum(readings[sensor] for sensor in piece) <= READINGS_AT_ONCE


@given(st.dictionaries(SENSORS, st.sets(st.integers(0, 9 * HOUR), min_size=1), min_size=1))
def test_the_questions_reach_every_instant_and_little_more(wanted: dict[SensorKey, set[int]]) -> None:
    asked = list(questions(wanted, 3))
    assert sorted(sensor for one in asked for sensor in one.sensors) == sorted(wanted)
    for one in asked:
        for sensor in one.sensors:
            assert one.start <= min(wanted[sensor]) < one.start + HOUR
            assert one.end - HOUR - 1 <= max(wanted[sensor]) < one.end


def _some(sensors: list[SensorKey]) -> list[Reading]:
    return [
        Reading(sensor, Millis(BEGAN + n * 10 * MINUTE), number + n / 7, BEGAN)
        for number, sensor in enumerate(sensors)
        for n in range(3)
    ]


def test_victoriametrics_is_asked_once_for_five_hundred_sensors(victoria: Victoria, tmp_path: Path) -> None:
    store = Settled(f"{victoria.fresh()} {tmp_path / 'spool.db'}")
    sensors = [SensorKey("larkfield", f"P-{n}", depth) for n in range(300) for depth in ("15", "45")]
    sensors += [SensorKey("larkfield", "P-1", "", "battery_percent"), SensorKey("hill", "P-1", "45")]
    store.append(_some(sensors))
    asked: list[str] = []
    assert isinstance(store.remote, VictoriaRemote)
    store.remote._reader.event_hooks = {"request": [lambda request: asked.append(str(request.url))]}
    found = store.read_many(sensors, EVER)
    assert len(asked) == 2
    assert {sensor: curve.value.tolist() for sensor, curve in found.items()} == {
        sensor: [number + n / 7 for n in range(3)] for number, sensor in enumerate(sensors)
    }
    store.close()


def test_influxdb_is_asked_once_for_a_hundred_sensors(tmp_path: Path) -> None:
    with stub() as influx:
        store = Settled(f"{influx.address} {tmp_path / 'spool.db'}", flush=False)
        sensors = [SensorKey("larkfield", f"P-{n}", depth) for n in range(75) for depth in ("15", "45")]
        store.append(_some(sensors))
        influx.questions.clear()
        assert all(len(curve) == 3 for curve in store.read_many(sensors, EVER).values())
        assert len(influx.questions) == 2
        store.close()


def test_a_level_of_any_letters_is_asked_for_as_it_is(victoria: Victoria, tmp_path: Path) -> None:
    store = Settled(f"{victoria.fresh()} {tmp_path / 'spool.db'}")
    depths = [
        "a.b",
        "aXb",
        "a|b",
        'half "up"',
        "(top",
        "back\\slash",
        "très haut",
        "\N{FIRE}",
        "a b,c=d",
        "7.5",
    ]
    sensors = [SensorKey("larkfield", "P-1", depth) for depth in depths]
    sent = _some(sensors)
    store.append(sent)
    together = store.read_many(sensors, EVER)
    for sensor in sensors:
        expected = [(one.at, one.value, 0) for one in sent if one.sensor == sensor]
        assert listed(together[sensor]) == listed(store.read(sensor, EVER)) == expected
    assert [sum(store.backlog().values()), store.count()] == [0, len(sent)]
    store.close()


def test_late_readings_of_many_sensors_are_held_against_the_far_store_in_one_question(
    victoria: Victoria, tmp_path: Path
) -> None:
    store = Settled(f"{victoria.fresh()} {tmp_path / 'spool.db'}")
    sensors = [SensorKey("larkfield", f"P-{n}", "45") for n in range(60)]
    store.append(_some(sensors))
    asked: list[str] = []
    assert isinstance(store.remote, VictoriaRemote)
    store.remote._reader.event_hooks = {"request": [lambda request: asked.append(str(request.url))]}
    repeated = store.append(_some(sensors))
    assert (repeated.stored, sum(repeated.repeats.values()), len(asked)) == (0, 180, 1)
    store.close()
