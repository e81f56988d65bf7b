"""Readings in InfluxDB 2, against a stub and against answers in the published form. Not a real InfluxDB: see the stub."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.ports import StorageError, StoreBusy
from shared.readings import SensorKey
from shared.stores import parse_address
from shared.stores.line.influx import Influx
from shared.stores.line.remote import LinesRefused
from shared.times import parse_time
from tests.contracts.influx_stub import TOKEN, InfluxStub, stub
from tests.contracts.readings_kept import ReadingsKept

CASES = Path(__file__).parents[1] / "cases" / "flux"
SENSOR = SensorKey("larkfield", "P-01", "45")


@pytest.fixture
def influx() -> Iterator[InfluxStub]:
    with stub() as made:
        yield made


@pytest.fixture
def remote(influx: InfluxStub) -> Iterator[Influx]:
    remote = Influx(parse_address(influx.address, TOKEN))
    yield remote
    remote.close()


class TestInfluxReadings(ReadingsKept):
    @pytest.fixture
    def address(self, influx: InfluxStub, tmp_path: Path) -> str:
        return f"line-settled-without-flush={influx.address} {tmp_path / 'spool.db'}"


def test_the_question_is_plain_flux(influx: InfluxStub, remote: Influx) -> None:
    start, stop = parse_time("2026-11-01T00:00:00Z"), parse_time("2026-11-25T06:00:00Z")
    asked = [SensorKey("larkfield", f"P-0{number}", depth) for number in (1, 2) for depth in ("15", "45")]
    asked.append(SensorKey("larkfield", "P-01", "", "battery_percent"))
    assert remote.curves(start, stop, asked) == {}
    assert [json.loads(question)["query"] for question in influx.questions] == [
        (
            'from(bucket: "heat")\n'
            "  |> range(start: 2026-11-01T00:00:00Z, stop: 2026-11-25T06:00:00Z)\n"
            '  |> filter(fn: (r) => r._measurement == "turnbell" and (r._field == "value" or r._field == "mark") and ('
            '(r.site == "larkfield") and (r.quantity == "temperature") and (r.probe == "P-01" or r.probe == "P-02") '
            'and (r.depth == "15" or r.depth == "45") or '
            '(r.site == "larkfield") and (r.quantity == "battery_percent") and (r.probe == "P-01") '
            "and (not exists r.depth)))\n"
            '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        )
    ]


def test_a_probe_that_was_in_two_piles_gives_one_curve_each_instant_once(
    influx: InfluxStub, remote: Influx
) -> None:
    influx.answer = (CASES / "two_piles.csv").read_bytes().decode()
    curve = remote.curves(0, 1, [SENSOR])[SENSOR]
    times = ["2026-11-24T05:40:00Z", "2026-11-24T05:50:00.250Z", "2026-11-24T06:00:00Z"]
    assert curve.at.tolist() == [parse_time(text) for text in times]
    assert curve.value.tolist() == [61.5, 61.900000000000006, 62.0]
    assert curve.mark.tolist() == [0, 0, 2]


def test_an_error_that_comes_as_a_table_is_an_error_not_an_empty_curve(
    influx: InfluxStub, remote: Influx
) -> None:
    influx.answer = (CASES / "error.csv").read_bytes().decode()
    with pytest.raises(StorageError, match="could not find bucket"):
        remote.curves(0, 1, [SENSOR])


@pytest.mark.parametrize(
    ("status", "kind"), [(503, StoreBusy), (429, StoreBusy), (400, LinesRefused), (401, StorageError)]
)
def test_what_it_answers_is_named_by_what_can_be_done(
    influx: InfluxStub, remote: Influx, status: int, kind: type[StorageError]
) -> None:
    influx.refuse = (status, '{"code":"x","message":"some words"}')
    with pytest.raises(kind, match="some words"):
        remote.write(b"turnbell,site=a value=1 1")


def test_a_store_that_is_not_there_is_busy(influx: InfluxStub) -> None:
    remote = Influx(parse_address("influxdb://127.0.0.1:9/yard/heat", TOKEN))
    with pytest.raises(StoreBusy):
        remote.write(b"turnbell,site=a value=1 1")
    with pytest.raises(StoreBusy):
        remote.ping()
    remote.close()
