"""Roles in processes of their own over one broker, one PostgreSQL and one VictoriaMetrics; each kind is killed once."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.contracts import postgresql, victoria
from tests.roles.region import play, region

MISSING = (
    postgresql.programs() is None
    or victoria.PROGRAM is None
    or not (shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists())
)


@pytest.mark.skipif(MISSING and "CI" not in os.environ, reason="a server is missing here")
def test_with_a_process_of_each_kind_killed_nothing_is_lost_and_no_notice_doubled() -> None:
    with region() as made:
        made.add("api", 0)
        for kind in ("ingest", "watch"):
            for number in range(2):
                made.add(kind, number)
        made.wait_until_up()
        came_of_it = play(made, 12.0)
    assert came_of_it["stored"] == came_of_it["acknowledged"]
    assert came_of_it["doubled_notices"] == 0
    assert {name.partition("-")[0] for name in came_of_it["kills"]} == {"api", "ingest", "watch"}
