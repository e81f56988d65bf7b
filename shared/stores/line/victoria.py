"""VictoriaMetrics, single or cluster: written through the line protocol, read through its export."""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping

import httpx
import numpy as np
from numpy.typing import NDArray

from shared.readings import Curve, Quantity, SensorKey
from shared.stores.line.address import Address
from shared.stores.line.asking import Group, groups
from shared.stores.line.protocol import FIELDS, curve_of, exact
from shared.stores.line.remote import PATIENCE_S, LineClient, foreign, refusal

_NAMES = "|".join(FIELDS)
_Line = tuple[NDArray[np.int64], NDArray[np.float64]]  # instants and values
_Found = dict[SensorKey, dict[str, list[_Line]]]  # by field


class Victoria(LineClient):
    """It answers 204 also to what it will not keep, and keeps the last seconds in memory only; see ``forward``."""

    sensors_at_once = 500

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
            verify=address.read_url.startswith("https:"),  # without TLS the authorities need not be read
        )

    def curves(self, start: int, end: int, sensors: Collection[SensorKey]) -> dict[SensorKey, Curve]:
        start = max(start, 0)  # it knows no time before 1970
        if end <= start or not sensors:
            return {}
        name = f'__name__=~"{self.measurement}_({_NAMES})"'
        asked = {
            "match[]": [f"{{{name},{_labels(group)}}}" for group in groups(sensors)],
            # a millisecond more on either side, cut off below: it counts in floating seconds and takes some for less
            "start": _seconds(max(start - 1, 0)),
            "end": _seconds(end),
        }
        what = f"reading from {self.name}"
        found: _Found = defaultdict(lambda: defaultdict(list))
        # as a form: many sensors make a question that is too long for an address
        with foreign(what), self._reader.stream("POST", "api/v1/export", data=asked) as answer:
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


def _labels(group: Group) -> str:
    return ",".join(
        (
            f"site={_quoted(group.site)}",
            f"quantity={_quoted(group.quantity)}",
            f"probe=~{_any_of(group.probes)}",
            f"depth=~{_any_of(group.depths)}",
        )
    )


def _any_of(words: Iterable[str]) -> str:
    """Of the whole label: the store anchors it at both ends."""
    return _quoted("|".join(re.escape(word) for word in words))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _seconds(at: int) -> str:
    return f"{at // 1000}.{at % 1000:03d}"


def _take(found: _Found, line: str, measurement: str) -> None:
    told = json.loads(line)
    labels: dict[str, str] = told["metric"]
    quantity: Quantity = labels.get("quantity", "temperature")  # type: ignore[assignment]  # as it was written
    sensor = SensorKey(labels.get("site", ""), labels.get("probe", ""), labels.get("depth", ""), quantity)
    field = labels["__name__"].removeprefix(f"{measurement}_")
    found[sensor][field].append(
        (np.array(told["timestamps"], dtype=np.int64), np.array(told["values"], dtype=np.float64))
    )


def _curve(fields: Mapping[str, list[_Line]], start: int, end: int) -> Curve:
    """Two series of one sensor (it has been in two piles) are one curve."""
    at, value = _joined(fields["value"])
    mark = _looked_up(at, *_joined(fields.get("mark", ())), missing=0.0)
    high = _looked_up(at, *_joined(fields.get("hi", ())), missing=-1.0).astype(np.int64)
    low = _looked_up(at, *_joined(fields.get("lo", ())), missing=-1.0).astype(np.int64)
    whole = (high >= 0) & (low >= 0)
    value[whole] = exact(high[whole], low[whole])
    inside = (at >= start) & (at < end)
    return curve_of(at[inside], value[inside], mark[inside].astype(np.uint8))


def _joined(pieces: Iterable[_Line]) -> _Line:
    at = [times for times, _ in pieces]
    values = [some for _, some in pieces]
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
