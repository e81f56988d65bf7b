"""The lines of a heat chart: thinned without losing a peak or a crossing, broken where nothing is known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from tsdownsample import MinMaxLTTBDownsampler

from shared.heat.screening import Reason
from shared.spoken import depth_words
from shared.times import Millis

if TYPE_CHECKING:
    from shared.heat_book import PileHistory, SensorHistory

_DOWNSAMPLER: Any = MinMaxLTTBDownsampler  # the library has no types

Instants = NDArray[np.int64]
Figures = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SensorLine:
    """One placed sensor. Arrays of one length: instants (ms), °C (calibrated), whether the sums leave it out."""

    probe: str
    name: str  # what the legend says, e.g. "45 cm"
    depth_cm: float | None
    at: Instants
    celsius: Figures
    suspect: NDArray[np.bool_]
    moved_at: tuple[Millis, ...] = ()  # the line is broken where the probe was put elsewhere


@dataclass(frozen=True, slots=True, eq=False)
class Thinned:
    """What is drawn of one sensor; ``piece`` numbers the unbroken stretches."""

    name: str
    at: Instants
    celsius: Figures
    piece: NDArray[np.int64]
    suspect_at: Instants
    suspect_c: Figures

    def lone(self) -> Instants:
        """Indexes of the readings that are a piece of their own."""
        if not len(self.piece):
            return np.empty(0, dtype=np.int64)
        _, index, counts = np.unique(self.piece, return_index=True, return_counts=True)
        return np.asarray(index[counts == 1], dtype=np.int64)


def lines_of(history: PileHistory) -> list[SensorLine]:
    """One line a sensor, the deepest first; a probe's name is added where more than one stands in the pile."""
    by_sensor: dict[tuple[str, str], list[SensorHistory]] = {}
    for placed in history.sensors:
        by_sensor.setdefault((placed.key.probe, placed.key.depth), []).append(placed)
    several = len({probe for probe, _ in by_sensor}) > 1
    lines = [
        _line(sorted(found, key=lambda one: one.placement.span.start), several)
        for found in by_sensor.values()
    ]
    return sorted(
        lines, key=lambda line: (-(line.depth_cm if line.depth_cm is not None else -1.0), line.name)
    )


def _line(stays: list[SensorHistory], several: bool) -> SensorLine:
    key, zone = stays[0].key, stays[-1].placement.zone
    where = "air" if zone == "ambient" else depth_words(key.depth_cm, key.depth)
    celsius = np.concatenate([stay.celsius for stay in stays])
    suspect = np.concatenate([stay.reason != Reason.GOOD for stay in stays])
    usable = np.isfinite(celsius)
    return SensorLine(
        probe=key.probe,
        name=f"{where} {key.probe}" if several else where,
        depth_cm=key.depth_cm,
        at=np.concatenate([stay.at for stay in stays])[usable],
        celsius=celsius[usable],
        suspect=suspect[usable],
        moved_at=tuple(stay.placement.span.start for stay in stays[1:]),
    )


def thin(
    line: SensorLine,
    *,
    points: int,
    thresholds_c: Sequence[float],
    breaks: Iterable[Millis] = (),
    max_gap_ms: int,
    span: tuple[Millis, Millis] | None = None,
) -> Thinned:
    """At most about ``points`` points and, beside these, the highest and lowest of each piece and both readings
    of every crossing of a threshold."""
    at, celsius, suspect = line.at, line.celsius, line.suspect
    if span is not None:
        first, last = _window(at, span)
        at, celsius, suspect = at[first:last], celsius[first:last], suspect[first:last]
    good_at, good_c = at[~suspect], celsius[~suspect]
    piece = _pieces(good_at, breaks, line.moved_at, max_gap_ms)
    keep = _keep(good_at, good_c, piece, points, thresholds_c)
    bad_at, bad_c = at[suspect], celsius[suspect]
    if len(bad_at) > points:
        few = np.linspace(0, len(bad_at) - 1, points).astype(np.int64)
        bad_at, bad_c = bad_at[few], bad_c[few]
    return Thinned(line.name, good_at[keep], good_c[keep], piece[keep], bad_at, bad_c)


def _window(at: Instants, span: tuple[Millis, Millis]) -> tuple[int, int]:
    """One reading more on either side, so that a line leaves the picture at its edge."""
    first = max(0, int(np.searchsorted(at, span[0])) - 1)
    return first, int(np.searchsorted(at, span[1], side="right")) + 1


def _pieces(
    at: Instants, turns: Iterable[Millis], moves: Iterable[Millis], max_gap_ms: int
) -> NDArray[np.int64]:
    if not len(at):
        return np.empty(0, dtype=np.int64)
    starts = np.zeros(len(at), dtype=bool)
    starts[1:] = np.diff(at) > max_gap_ms
    # as in the sums: a reading at the very instant of a turn is the last before it, one at a move the first after it
    turned = np.searchsorted(at, np.array(sorted(turns), dtype=np.int64), "right")
    moved = np.searchsorted(at, np.array(sorted(moves), dtype=np.int64))
    cuts = np.concatenate((turned, moved))
    starts[cuts[(cuts > 0) & (cuts < len(at))]] = True
    return np.cumsum(starts, dtype=np.int64)


def _keep(
    at: Instants, celsius: Figures, piece: NDArray[np.int64], points: int, thresholds_c: Sequence[float]
) -> NDArray[np.int64]:
    count = len(at)
    if count <= points:
        return np.arange(count, dtype=np.int64)
    chosen = [np.asarray(_DOWNSAMPLER().downsample(at, celsius, n_out=max(4, points)), dtype=np.int64)]
    bounds = np.flatnonzero(np.diff(piece)) + 1
    starts, ends = np.r_[0, bounds], np.r_[bounds, count]
    chosen += [starts, ends - 1]
    for start, end in zip(starts, ends, strict=True):
        stretch = celsius[start:end]
        chosen.append(np.array([start + np.argmax(stretch), start + np.argmin(stretch)], dtype=np.int64))
    for threshold in thresholds_c:
        before = np.flatnonzero((celsius[:-1] >= threshold) != (celsius[1:] >= threshold))
        chosen += [before, before + 1]
    return np.unique(np.concatenate(chosen))
