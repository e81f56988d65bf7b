"""The disk that a year of 40 probes with three depths takes, raw and thinned: ``python -m tests.keeping.disk``.

Bytes a reading are those of a real file after a week; what stays is counted on simulated piles (60 days, 6 caged and 6
windrows, noise 0.25 K, steps of 1/16 K), so it says little of quieter or noisier probes.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from shared.heat.report import THRESHOLDS_C
from shared.pile_model.field import FieldHabits, field_records
from shared.pile_model.parameters import Geometry
from shared.readings import Reading, SensorKey
from shared.stores import arrivals_log, open_readings
from shared.stores.vacuum import look
from shared.thinned_curve import kept
from shared.times import DAY, HOUR, MINUTE, Millis

PROBES, DEPTHS, DAYS = 40, ("15", "45", "75"), 60
NOISE_C, STEP_C = 0.25, 1 / 16


def bytes_a_reading(every_min: int, days: float) -> float:
    """Of a file without its log of arrivals, which is bounded by itself."""
    random = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.db"
        store = open_readings(path)
        late = random.integers(0, every_min * MINUTE, PROBES)
        for step in range(round(days * DAY) // (every_min * MINUTE)):
            store.append(
                [
                    Reading(SensorKey("yard", f"P{probe}", depth), at, float(random.normal(50, 9)), at)
                    for probe in range(PROBES)
                    for depth in DEPTHS
                    for at in [Millis(step * every_min * MINUTE + int(late[probe]))]
                ]
            )
        count = store.count()
        log = (
            len(store.changes_since(0).earliest)
            * arrivals_log.ENTRY.itemsize
            * (count // (PROBES * len(DEPTHS)))
        )
        store.close()
        return (look(path).bytes - log) / count


def share_kept(every_min: int, bucket_ms: int) -> float:
    random, stay, whole = np.random.default_rng(2), 0, 0
    thresholds = [float(one) for one in THRESHOLDS_C]
    geometries: tuple[Geometry, ...] = ("caged", "windrow")
    for geometry in geometries:
        for record in field_records(geometry, 6, DAYS, 910_500, FieldHabits(noise_c=0.0)):
            for at, celsius in record.curves.values():
                when = np.arange(at[0], at[-1], every_min * MINUTE)
                read = np.interp(when, at, celsius) + random.normal(0.0, NOISE_C, len(when))
                mask = kept(when, np.round(read / STEP_C) * STEP_C, bucket_ms, thresholds=thresholds)
                stay, whole = stay + int(mask.sum()), whole + len(mask)
    return stay / whole


if __name__ == "__main__":
    for every_min, days in ((10, 7.0), (1, 1.0)):
        each = bytes_a_reading(every_min, days)
        a_year = PROBES * len(DEPTHS) * 365 * 24 * 60 // every_min
        print(f"every {every_min} min: {a_year / 1e6:.1f} million readings a year, {each:.0f} bytes each")
        print(f"  raw            {a_year * each / 1e6:7.0f} MB a year")
        for name, bucket_ms in (("10 minutes", 10 * MINUTE), ("hourly", HOUR)):
            share = share_kept(every_min, bucket_ms)
            print(f"  {name:14} {share * a_year * each / 1e6:7.0f} MB a year ({share:.0%} of the readings)")
