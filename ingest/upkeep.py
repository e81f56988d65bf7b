"""What the registry should know of each probe: last heard, how often, battery, signal, repeats, online.

Gathered in memory and written in one transaction for many probes, so that upkeep never costs a commit per message.
Nothing here is needed to keep a reading: after a crash ``Upkeep.reconcile`` brings back every probe that has readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from threading import Lock
from typing import Any, Final

from ingest.cadence import Cadence
from ingest.topics import Origin
from shared.ports import Appended, ReadingsStore, Registry, StorageError
from shared.readings import Quantity, Reading
from shared.times import Millis

_AT_ONCE: Final = 100
_ADDED: Final = ("repeats", "differing_repeats")
_MOST_CADENCES: Final = 100_000
_FIGURES: Final[Mapping[Quantity, str]] = {
    "battery_percent": "battery_percent",
    "battery_volt": "battery_volt",
    "rssi": "rssi_dbm",
}


class _News:
    __slots__ = ("figures", "heard_at", "online", "seen_at")

    def __init__(self) -> None:
        self.heard_at: Millis | None = None  # a live message came in
        self.seen_at: Millis | None = None  # there is a reading, however old
        self.online: bool | None = None
        self.figures: dict[str, Any] = {}

    def lay_under(self, newer: _News) -> _News:
        """Both, as one: what could not be written, under what has come in since."""
        newer.heard_at = _later(self.heard_at, newer.heard_at)
        newer.seen_at = _later(self.seen_at, newer.seen_at)
        newer.online = self.online if newer.online is None else newer.online
        for figure, value in self.figures.items():
            if figure in _ADDED:
                newer.figures[figure] = newer.figures.get(figure, 0) + value
            else:
                newer.figures.setdefault(figure, value)
        return newer


class Upkeep:
    """Told by one thread, flushed by another."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._news: dict[Origin, _News] = {}
        self._cadences: dict[Origin, Cadence] = {}
        self._figure_at: dict[tuple[Origin, str], Millis] = {}
        self._intervals: dict[Origin, int] = {}  # as stored

    def __len__(self) -> int:
        return len(self._news)

    def message(
        self, origin: Origin, readings: Sequence[Reading], received_at: Millis, *, retained: bool
    ) -> None:
        """Readings came in. A retained message is old news: it proves that the probe exists, not that it lives."""
        newest = max([reading.at for reading in readings])
        with self._lock:
            news = self._of(origin)
            for reading in readings:
                if reading.sensor.quantity in _FIGURES and not reading.mark.excluded:
                    self._figure(origin, news, _FIGURES[reading.sensor.quantity], reading)
            if retained:
                news.seen_at = _later(news.seen_at, newest)
                return
            news.heard_at = _later(news.heard_at, received_at)
            self._cadence(origin).heard(newest)

    def status(self, origin: Origin, received_at: Millis, *, online: bool, retained: bool) -> None:
        """``online`` said live is a sign of life; ``offline`` is mostly the broker's word, the last will."""
        with self._lock:
            news = self._of(origin)
            news.online = online
            if online and not retained:
                news.heard_at = _later(news.heard_at, received_at)

    def stored(self, appended: Appended, redelivered: set[Origin]) -> None:
        """Count repeats, but not those of a message that the broker delivered again: they are no fault of the probe."""
        with self._lock:
            for figure, counts in zip(_ADDED, (appended.repeats, appended.differing), strict=True):
                for (site, probe), count in counts.items():
                    origin = Origin(site, probe)
                    if figure == "repeats" and origin in redelivered:
                        continue
                    figures = self._of(origin).figures
                    figures[figure] = figures.get(figure, 0) + count

    def reconcile(self, readings: ReadingsStore, registry: Registry) -> None:
        """Have every probe that has readings and no place in the registry written, should a crash have come between."""
        known = {(probe.site, probe.name) for probe in registry.probes.all()}
        with self._lock:
            for summary in readings.sensors():
                sensor = summary.sensor
                if (sensor.site, sensor.probe) not in known:
                    news = self._of(Origin(sensor.site, sensor.probe))
                    news.seen_at = _later(news.seen_at, summary.last_at)

    def flush(self, registry: Registry, limit: int = _AT_ONCE) -> int:
        """Write the news of at most ``limit`` probes in one transaction; give how many. On a StorageError all stay."""
        with self._lock:
            chosen = {origin: self._news.pop(origin) for origin in list(self._news)[:limit]}
            learnt = {origin: self._learnt(origin) for origin in chosen}
        try:
            with registry.begin() as transaction:
                for origin, news in chosen.items():
                    _write(transaction, origin, news, learnt[origin])
        except StorageError:
            with self._lock:
                for origin, news in chosen.items():
                    self._news[origin] = news.lay_under(self._news.get(origin, _News()))
            raise
        with self._lock:
            self._intervals.update(
                {origin: interval for origin, interval in learnt.items() if interval is not None}
            )
        return len(chosen)

    def _learnt(self, origin: Origin) -> int | None:
        """A learnt interval that differs from the stored one by more than a tenth."""
        cadence = self._cadences.get(origin)
        interval = cadence.interval_ms() if cadence else None
        stored = self._intervals.get(origin)
        if interval is None or (stored is not None and abs(interval - stored) <= 0.1 * stored):
            return None
        return interval

    def _of(self, origin: Origin) -> _News:
        news = self._news.get(origin)
        if news is None:
            news = self._news[origin] = _News()
        return news

    def _cadence(self, origin: Origin) -> Cadence:
        cadence = self._cadences.get(origin)
        if cadence is None:
            if len(self._cadences) >= _MOST_CADENCES:  # strangers without end: forget the oldest
                del self._cadences[next(iter(self._cadences))]
            cadence = self._cadences[origin] = Cadence()
        return cadence

    def _figure(self, origin: Origin, news: _News, figure: str, reading: Reading) -> None:
        before = self._figure_at.get((origin, figure))
        if before is None or reading.at >= before:
            if before is None and len(self._figure_at) >= 3 * _MOST_CADENCES:
                self._figure_at.clear()
            self._figure_at[origin, figure] = reading.at
            news.figures[figure] = reading.value


def _write(registry: Registry, origin: Origin, news: _News, learnt: int | None) -> None:
    figures = dict(news.figures)
    if news.online is not None:
        figures["online"] = news.online
    known = registry.probes.named(*origin) if learnt is not None or news.heard_at is None else None
    if learnt is not None and not (known and known.interval_fixed):
        figures["interval_ms"] = learnt
    at = news.heard_at or news.seen_at
    if at is not None and (news.heard_at is not None or known is None or known.last_heard_at is None):
        registry.probes.heard(origin.site, origin.probe, at, figures)
    elif known is not None and figures:
        for figure in _ADDED:
            if figure in figures:
                figures[figure] += getattr(known, figure)
        registry.probes.change(known.id, **figures)


def _later(one: Millis | None, other: Millis | None) -> Millis | None:
    if one is None or other is None:
        return other if one is None else one
    return max(one, other)
