"""The readings contract against a real InfluxDB 2, where somebody names one:

``TURNBELL_LIVE_INFLUXDB=influxdb://host:8086/organisation/bucket TURNBELL_LIVE_INFLUXDB_TOKEN=...
python -m pytest tests/contracts/test_readings_influx_live.py``. It writes measurements of its own and leaves them there.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.contracts import lines
from tests.contracts.readings_kept import ReadingsKept

LIVE = os.environ.get("TURNBELL_LIVE_INFLUXDB", "")

if LIVE:

    class TestLiveInflux(ReadingsKept):
        @pytest.fixture
        def address(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
            monkeypatch.setattr(lines, "TOKEN", os.environ["TURNBELL_LIVE_INFLUXDB_TOKEN"])
            return f"line-settled-without-flush={LIVE}?measurement=t{time.time_ns()} {tmp_path / 'spool.db'}"
