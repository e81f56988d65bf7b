"""VictoriaMetrics, single or cluster: written through the line protocol, read through its export."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

import httpx
import numpy as np
from numpy.typing import NDArray

from shared.readings import Curve, Quantity, SensorKey
from shared.stores.line.address import Address
from shared.stores.line.protocol import FIELDS, curve_of, exact
from shared.stores.line.remote import PATIENCE_S, LineClient, foreign, refusal

_NAMES = "|".join(FIELDS)


class Victoria(LineClient):
    """It answers 204 also to what it will not keep, and keeps the last seconds in memory only; see ``forward``."""

    def __init__(self, address: Address) -> None:
        # it has neither organisations nor buckets and passes over both names
        super().__init__(address, address.measurement, address.measurement)
        headers = {"Authorization": f"Token {address.token}"} if address.token else {}
        self._reader = httpx.Client(
            base_url=address.read_url,
            headers=headers,
            auth=address.login,
            timeout=PATIENCE_S,
            trust_env=False,
        )

    def curves(self, start: int, end: int, sensor: SensorKey | None = None) -> dict[SensorKey, Curve]:
        start = max(start, 0)  # it knows no time before 1970
        if end <= start:
            return {}
        asked = {
            "match[]": f'{{__name__=~"{self.measurement}_({_NAMES})"{_labels(sensor)}}}',
            "start": _seconds(start),
            "end": _seconds(end - 1),
        }
        what = f"reading from {self.name}"
        found: dict[SensorKey, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
        with foreign(what), self._reader.stream("GET", "api/v1/export", params=asked) as answer:
            if answer.status_code != 200:
                raise refusal(what, answer.status_code, answer.read().decode(errors="replace"))
            for line in answer.iter_lines():
                _take(found, line, self.measurement)
        return {sensor: curve for sensor, fields in found.items() if len(curve := _curve(fields, start, end))}

    def ping(self) -> None:
        what = f"asking {self.name} how it is"
        with foreign(what):
            answer = self._reader.get(
                "api/v1/export", params={"match[]": f"{self.measurement}_none", "start": "1", "end": "2"}
            )
        if answer.status_code != 200:
            raise refusal(what, answer.status_code, answer.text)

    def close(self) -> None:
        super().close()
        self._reader.close()


def _labels(sensor: SensorKey | None) -> str:
    if sensor is None:
        return ""
    wanted = {"site": sensor.site, "probe": sensor.probe, "depth": sensor.depth, "quantity": sensor.quantity}
    return "".join(f",{name}={json.dumps(text)}" for name, text in wanted.items())


def _seconds(at: int) -> str:
    return f"{at // 1000}.{at % 1000:03d}"


def _take(found: dict[SensorKey, dict[str, list[Any]]], line: str, measurement: str) -> None:
    told = json.loads(line)
    labels: dict[str, str] = told["metric"]
    quantity: Quantity = labels.get("quantity", "temperature")  # type: ignore[assignment]  # as it was written
    sensor = SensorKey(labels.get("site", ""), labels.get("probe", ""), labels.get("depth", ""), quantity)
    field = labels["__name__"].removeprefix(f"{measurement}_")
    found[sensor][field].append((told["timestamps"], told["values"]))


def _curve(fields: dict[str, list[Any]], start: int, end: int) -> Curve:
    """Two series of one sensor (it has been in two piles) are one curve."""
    at, value = _joined(fields["value"])
    mark = _looked_up(at, *_joined(fields.get("mark", ())), missing=0.0)
    high = _looked_up(at, *_joined(fields.get("hi", ())), missing=-1.0).astype(np.int64)
    low = _looked_up(at, *_joined(fields.get("lo", ())), missing=-1.0).astype(np.int64)
    whole = (high >= 0) & (low >= 0)
    value[whole] = exact(high[whole], low[whole])
    inside = (at >= start) & (at < end)
    return curve_of(at[inside], value[inside], mark[inside].astype(np.uint8))


def _joined(pieces: Iterable[tuple[list[int], list[float]]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    at = [np.asarray(times, dtype=np.int64) for times, _ in pieces]
    values = [np.asarray(some, dtype=np.float64) for _, some in pieces]
    if not at:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float64)
    return np.concatenate(at), np.concatenate(values)


def _looked_up(
    at: NDArray[np.int64], times: NDArray[np.int64], values: NDArray[np.float64], *, missing: float
) -> NDArray[np.float64]:
    """The value that stands at each instant of ``at``."""
    result = np.full(len(at), missing)
    if len(times):
        order = np.argsort(times, kind="stable")
        where = np.minimum(np.searchsorted(times[order], at), len(times) - 1)
        there = times[order][where] == at
        result[there] = values[order][where][there]
    return result
