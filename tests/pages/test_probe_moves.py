"""Probes moved and placements corrected on the page: one step for what was one walk."""

from __future__ import annotations

import httpx

from shared.times import HOUR, Millis, iso
from tests.pages.server import Yard, client_of
from tests.pages.yard import NOW

SITE, PROBE = "larkfield", "wanderer"
FORM = {"probe": PROBE, "zone": "core"}


def manager_of(yard: Yard) -> httpx.Client:
    return client_of(yard, yard.key, "text/html")


def hours_ago(hours: int) -> tuple[str, Millis]:
    """As the form sends it, at a site whose winter time is UTC, and as the registry keeps it."""
    at = Millis(NOW - hours * HOUR)
    return iso(at)[:16], at


def placed(yard: Yard) -> list[tuple[str, Millis, Millis | None]]:
    found = yard.parts.registry.probes.placements(site=SITE, probe=PROBE)
    return sorted((one.pile_id, one.span.start, one.span.end) for one in found)


def test_a_move_that_is_put_earlier_takes_the_end_in_the_other_pile_with_it_and_back(own_yard: Yard) -> None:
    with manager_of(own_yard) as manager:
        for pile, hours in (("pile-K-01", 40), ("pile-K-02", 10)):
            answer = manager.post("/probes/place", data={**FORM, "pile": pile, "start": hours_ago(hours)[0]})
            assert answer.status_code == 303
        second = own_yard.parts.registry.probes.placements(site=SITE, probe=PROBE)
        moved = next(one for one in second if one.pile_id == "pile-K-02")
        for hours in (20, 5):
            begin = hours_ago(hours)
            answer = manager.post(f"/placements/{moved.id}", data={"start": begin[0], "zone": "core"})
            assert answer.status_code == 303
            assert placed(own_yard) == [
                ("pile-K-01", hours_ago(40)[1], begin[1]),
                ("pile-K-02", begin[1], None),
            ]


def test_a_correction_that_cannot_be_leaves_the_other_pile_as_it_was(own_yard: Yard) -> None:
    """The end in the pile before is moved first, to make room; then the new end is refused."""
    with manager_of(own_yard) as manager:
        for pile, hours in (("pile-K-01", 40), ("pile-K-02", 20), ("pile-K-01", 10)):
            manager.post("/probes/place", data={**FORM, "pile": pile, "start": hours_ago(hours)[0]})
        stood = placed(own_yard)
        assert len(stood) == 3
        probes = own_yard.parts.registry.probes.placements(site=SITE, probe=PROBE)
        middle = next(one for one in probes if one.pile_id == "pile-K-02")
        sent = {"start": hours_ago(25)[0], "end": hours_ago(5)[0], "zone": "core"}
        manager.post(f"/placements/{middle.id}", data=sent)
    assert placed(own_yard) == stood
