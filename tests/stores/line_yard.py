"""A spool, a far VictoriaMetrics and a forwarder that steps when it is told to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from shared.readings import Reading, SensorKey
from shared.stores import LineReadings, open_line_readings, parse_address
from shared.stores.line.forward import ForwardLoop, ForwardPace
from shared.times import MINUTE, Millis
from tests.contracts.victoria import Victoria
from tests.e2e.harness import until

SENSOR = SensorKey("larkfield", "P-01", "45")
BEGAN = Millis(1_764_028_800_000)
PATIENCE_S = 180.0


def some(n: int, first: int = 0, sensor: SensorKey = SENSOR) -> list[Reading]:
    """Ten minutes apart, with values that need every bit of a float."""
    return [
        Reading(sensor, at, 40.0 + (number % 300) / 9, Millis(at + 1500))
        for number in range(first, first + n)
        for at in [Millis(BEGAN + number * 10 * MINUTE)]
    ]


def opened(far: str, folder: Path, clock_ms: Callable[[], int] | None = None) -> LineReadings:
    address, spool = parse_address(far), folder / "spool.db"
    return (
        open_line_readings(address, spool, clock_ms=clock_ms)
        if clock_ms
        else open_line_readings(address, spool)
    )


def forwarder(store: LineReadings, horizon_ms: int = 0) -> ForwardLoop:
    return ForwardLoop(store, pace=ForwardPace(horizon_ms=horizon_ms, tries=20))


def settle(forward: ForwardLoop, victoria: Victoria) -> None:
    """Step until nothing is on its way any more."""

    def nothing_waits() -> bool:
        forward.step()
        victoria.flush()
        waiting = forward.backlog()
        return not waiting["waiting"] + waiting["sent"] + waiting["unsure"]

    until(nothing_waits, PATIENCE_S, "an empty spool")


def rows(readings: Sequence[Reading]) -> list[tuple[int, float]]:
    return [(reading.at, reading.value) for reading in readings]
