"""A sensor whose every placement was corrected away covers nothing, and breaks nothing."""

from __future__ import annotations

import numpy as np

from shared.heat.stands import Stand


def test_a_sensor_without_a_span_covers_nothing() -> None:
    stand = Stand.__new__(Stand)
    stand.spans = np.empty((0, 2), np.int64)
    assert not stand.covers(np.array([1, 2, 3], np.int64)).any()
