"""A single VictoriaMetrics fed with readings as lines: what a reading costs us to write down, and it to take in.

Ten thousand sensors, ten minutes apart, in batches as the forwarder sends them. A reading is two points (value and mark).
Needs victoria-metrics.
"""

from __future__ import annotations

import json
import time

from shared.readings import SensorKey
from shared.stores import parse_address
from shared.stores.line.forward import ForwardPace
from shared.stores.line.protocol import Spooled, lines
from shared.stores.line.victoria import Victoria
from shared.times import MINUTE
from tests.bench.processes import cpu_s_by_program
from tests.contracts.victoria import PROGRAM, running

SENSORS, ROUNDS, POINTS = 10_000, 50, 2
BATCH = ForwardPace().at_once
KEYS = [SensorKey("larkfield", f"P{n // 4:05d}", str(15 * (n % 4 + 1))) for n in range(SENSORS)]
BEGAN = 1_764_028_800_000


def main() -> None:
    if PROGRAM is None:
        print(json.dumps({"name": "a single VictoriaMetrics", "value": None, "unit": "is not installed"}))
        return
    with running() as server:
        address = parse_address(server.fresh())
        far = Victoria(address)
        spelling_s = taking_s = 0.0
        before = cpu_s_by_program()["victoria"]
        for number in range(ROUNDS):
            at = BEGAN + number * 10 * MINUTE
            rows = [Spooled(key, n, at, 55.0 + (n + number) % 200 / 16, 0) for n, key in enumerate(KEYS)]
            for start in range(0, SENSORS, BATCH):
                begun = time.process_time()
                text = lines(rows[start : start + BATCH], measurement=address.measurement)
                spelling_s += time.process_time() - begun
                begun = time.monotonic()
                far.write(text)
                taking_s += time.monotonic() - begun
        its_s = cpu_s_by_program()["victoria"] - before
        server.flush()
        there = far.curves(BEGAN, BEGAN + ROUNDS * 10 * MINUTE, [KEYS[0], KEYS[-1]])
        assert {len(curve) for curve in there.values()} == {ROUNDS}
        far.close()
    count = SENSORS * ROUNDS
    for name, value, unit in (
        ("points that a single VictoriaMetrics accepts, one sender", POINTS * count / taking_s, "points/s"),
        ("its processor for a million points", its_s / count / POINTS * 1e6, "s"),
        ("ours to write a million readings down as lines", spelling_s / count * 1e6, "s"),
    ):
        print(json.dumps({"name": name, "value": round(value, 2), "unit": unit}))


if __name__ == "__main__":
    main()
