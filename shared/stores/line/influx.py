"""InfluxDB 2: written through the line protocol, read with Flux."""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import datetime
from io import StringIO

import numpy as np

from shared.ports import StorageError
from shared.readings import Curve, Quantity, SensorKey
from shared.stores.line.address import Address
from shared.stores.line.asking import Group, groups
from shared.stores.line.protocol import curve_of
from shared.stores.line.remote import LineClient, foreign
from shared.times import Millis, from_datetime, iso

_FIRST, _LAST = Millis(-9_223_372_036_854 + 1), Millis(9_223_372_036_854 - 1)  # its nanoseconds are 64 bits
_Rows = dict[SensorKey, list[tuple[int, float, int]]]


class Influx(LineClient):
    sensors_at_once = 100

    def __init__(self, address: Address) -> None:
        super().__init__(address, address.org, address.bucket)
        self._reader = self.client.query_api()

    def curves(self, start: int, end: int, sensors: Collection[SensorKey]) -> dict[SensorKey, Curve]:
        start, end = max(start, _FIRST), min(end, _LAST)
        if end <= start or not sensors:
            return {}
        with foreign(f"reading from {self.name}"):
            answer = self._reader.query_raw(flux(self._bucket, self.measurement, start, end, sensors))
            text = answer.data.decode()
        return {
            found: curve_of(
                np.array([row[0] for row in rows], dtype=np.int64),
                np.array([row[1] for row in rows], dtype=np.float64),
                np.array([row[2] for row in rows], dtype=np.uint8),
            )
            for found, rows in rows_of(text).items()
        }

    def ping(self) -> None:
        self.curves(1, 2, [SensorKey("none", "none", "none")])


def flux(bucket: str, measurement: str, start: int, end: int, sensors: Iterable[SensorKey]) -> str:
    """The one question that is asked: its fields side by side, a row an instant."""
    wanted = [
        f"r._measurement == {_quoted(measurement)}",
        '(r._field == "value" or r._field == "mark")',
        _any_of(_labels(group) for group in groups(sensors)),
    ]
    return (
        f"from(bucket: {_quoted(bucket)})\n"
        f"  |> range(start: {iso(Millis(start))}, stop: {iso(Millis(end))})\n"
        f"  |> filter(fn: (r) => {' and '.join(wanted)})\n"
        '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
    )


def _labels(group: Group) -> str:
    """Plain comparisons: these the store answers from its index, a ``contains`` it would not."""
    wanted = {
        "site": [group.site],
        "quantity": [group.quantity],
        "probe": group.probes,
        "depth": group.depths,
    }
    return " and ".join(_any_of(_is(name, text) for text in texts) for name, texts in wanted.items())


def _is(name: str, text: str) -> str:
    return f"r.{name} == {_quoted(text)}" if text else f"not exists r.{name}"


def _any_of(conditions: Iterable[str]) -> str:
    return f"({' or '.join(conditions)})"


def rows_of(text: str) -> _Rows:
    """Annotated CSV: tables one after the other, each with its own header after an empty line."""
    found: _Rows = defaultdict(list)
    header: dict[str, int] | None = None
    for row in csv.reader(StringIO(text)):
        if not row or row[0].startswith("#"):
            header = None
        elif header is None:
            header = {name: place for place, name in enumerate(row)}
        elif "error" in header:
            raise StorageError(f"reading from InfluxDB: {row[header['error']]}")
        else:
            _take(found, header, row)
    return found


def _take(found: _Rows, header: dict[str, int], row: list[str]) -> None:
    def cell(name: str) -> str:
        return row[header[name]] if name in header else ""

    quantity: Quantity = cell("quantity")  # type: ignore[assignment]  # as it was written
    sensor = SensorKey(cell("site"), cell("probe"), cell("depth"), quantity)
    if cell("value"):
        found[sensor].append((_instant(cell("_time")), float(cell("value")), int(cell("mark") or 0)))


def _instant(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("${", "\\${")
