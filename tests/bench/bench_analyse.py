"""``analyse`` of a long record against a pandas reference of the same hours, another algorithm: resampling to ten seconds.

180 days, six sensors, a reading every ten minutes. The reference gives hours over each threshold for every sensor, for
the hottest and for the coldest, and nothing else; ``analyse`` gives the whole report.
"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from deploy.analyse import analyse
from shared.heat.report import THRESHOLDS_C, HeatReport

DAYS, DEPTHS, STEP_MIN = 180, (10, 25, 40, 55, 70, 85), 10
TOLERANCE_H = 0.5  # the reference is good to ten seconds at each of the record's crossings


def write_record(file: Path) -> None:
    rng = np.random.default_rng(20261125)
    count = DAYS * 24 * 60 // STEP_MIN
    days = np.arange(count) * STEP_MIN / 1440
    times = pd.date_range("2026-01-01", periods=count, freq=f"{STEP_MIN}min", tz="UTC")
    text = times.strftime("%Y-%m-%dT%H:%M:%SZ")
    frames = []
    for place, depth in enumerate(DEPTHS):
        slow = 20 + 45 * np.exp(-(days / 60)) * (1 - np.exp(-days * 1.5)) + 6 * np.sin(days / 3 + place)
        celsius = np.round(slow + rng.normal(0, 0.2, count), 2)
        frames.append(pd.DataFrame({"time": text, "probe": "core", "depth_cm": depth, "celsius": celsius}))
    pd.concat(frames).to_csv(file, index=False)


def reference(file: Path) -> pd.DataFrame:
    """Hours over each threshold (columns) by depth, hottest and coldest (rows)."""
    table = pd.read_csv(file, parse_dates=["time"])
    wide = table.pivot_table(index="time", columns="depth_cm", values="celsius")
    fine = wide.resample("10s").interpolate("time", limit=1080)
    fine.columns = pd.Index([str(name) for name in fine.columns])
    fine["hottest"], fine["coldest"] = fine.max(axis=1), fine.min(axis=1)
    hours = {}
    for threshold in THRESHOLDS_C:
        over = fine >= threshold
        both = over & over.shift(-1, fill_value=False)
        edge = over ^ over.shift(-1, fill_value=False)
        hours[threshold] = (both.sum() + edge.sum() / 2) / 360
    return pd.DataFrame(hours)


def disagreement_h(report: HeatReport, hours: pd.DataFrame) -> float:
    rows = {f"{sensor.depth_cm:g}": sensor.hours_above for sensor in report.sensors}
    rows |= {"hottest": report.hottest.hours_above, "coldest": report.coldest.hours_above}
    return max(
        abs((rows[name][str(threshold)] or 0.0) - float(hours[threshold][name]))
        for name in rows
        for threshold in THRESHOLDS_C
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "record.csv"
        write_record(file)
        analyse(file)  # the first run loads what later runs have
        began = time.perf_counter()
        report = analyse(file).report
        ours = time.perf_counter() - began
        began = time.perf_counter()
        hours = reference(file)
        theirs = time.perf_counter() - began
    apart = disagreement_h(report, hours)
    if apart > TOLERANCE_H:
        raise SystemExit(f"analyse and the reference differ by {apart:.3f} h")
    print(
        json.dumps(
            {
                "name": "analyse 180 d x 6 sensors x 10 min, whole report",
                "value": round(ours, 3),
                "unit": "s",
                "baseline": round(theirs, 3),
                "ratio": round(theirs / ours, 2),
                "largest_difference_h": round(apart, 4),
            }
        )
    )


if __name__ == "__main__":
    main()
