"""The roles apart over a real broker, PostgreSQL and VictoriaMetrics, one of each kind killed: nothing lost or doubled."""

from __future__ import annotations

import pytest

from tests.contracts.postgresql import Server
from tests.contracts.victoria import Victoria
from tests.roles.nursery import Nursery
from tests.roles.region import play
from tests.roles.region_servers import SITES, region

LEASE_S = 4.0


@pytest.mark.usefixtures("mosquitto")
def test_killing_one_of_each_role_loses_and_doubles_nothing(postgresql: Server, victoria: Victoria) -> None:
    with Nursery(LEASE_S) as nursery, region(nursery.start, postgresql, victoria) as made:
        for name in ("watch-0", "ingest-0", "api-0", "watch-1", "ingest-1"):
            kind, _, number = name.partition("-")
            made.add(kind, int(number))
        made.wait_until_up()
        found = play(made, seconds=4 + LEASE_S, kill=("watch-0", "ingest-0", "api-0"))
    assert found["kills"] == {"api": 1, "ingest": 1, "watch": 1}
    assert found["acknowledged"] > SITES
    assert (found["lost"], found["doubled"]) == (0, 0)
    assert found["notices"] >= SITES
    assert (found["lost_notices"], found["doubled_notices"]) == (0, 0)
