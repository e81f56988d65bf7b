"""What the page of probes and the API say of a reading that the sums leave out, and of a sensor at fault."""

from __future__ import annotations

import html
import re
from typing import Any

import httpx
import pytest

from shared.piles import Placement
from shared.readings import ArrivalMark, Reading, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span, iso
from tests.pages.server import Yard, client_of
from tests.pages.yard import DEPTHS, NOW

SITE, PILE = "larkfield", "pile-K-01"
STEP = 10 * MINUTE


def hear(yard: Yard, probe: str, values: list[float], mark: ArrivalMark, depth: str = "45") -> None:
    """The last of them, with this mark, now."""
    key, start = SensorKey(SITE, probe, depth), NOW - STEP * (len(values) - 1)
    batch = [
        Reading(key, Millis(start + STEP * place), value, Millis(start + STEP * place))
        for place, value in enumerate(values)
    ]
    yard.parts.readings.append([*batch[:-1], batch[-1]._replace(mark=mark)])
    yard.parts.registry.probes.heard(SITE, probe, NOW, {})


def asked(yard: Yard, path: str) -> httpx.Response:
    with client_of(yard, yard.key) as client:
        return client.get(path)


def told(yard: Yard, probe: str) -> str:
    section = asked(yard, "/probes").text.partition(f'id="p-{probe}"')[2].partition("</section>")[0]
    return html.unescape(re.sub(r"<[^>]+>", "", section))


def over_the_api(yard: Yard, name: str) -> dict[str, Any]:
    """In the list, and asked for by itself."""
    (listed,) = [one for one in asked(yard, "/api/v1/probes").json()["items"] if one["name"] == name]
    assert asked(yard, f"/api/v1/probes/{listed['id']}").json() == listed
    return dict(listed)


@pytest.mark.parametrize(
    ("values", "mark", "why", "reason"),
    [
        (
            [50.0, 200.0],
            ArrivalMark.OUT_OF_RANGE,
            "200.0 °C left out: under -55 °C or over 125 °C",
            "out_of_range",
        ),
        (
            [50.0, -127.0],
            ArrivalMark.SENTINEL,
            "-127.0 °C left out: the sensor's word for no reading",
            "sentinel",
        ),
        ([50.0, 85.0], ArrivalMark.NONE, "85.0 °C left out: 85.0 °C once", "lone_85"),
        ([61.9], ArrivalMark.STALE, "61.9 °C left out: old news of unknown age, kept by the broker", "stale"),
    ],
)
def test_a_newest_reading_that_is_left_out_says_why(
    own_yard: Yard, values: list[float], mark: ArrivalMark, why: str, reason: str
) -> None:
    hear(own_yard, "wanderer", values, mark)
    assert f"45 cm: {why}" in told(own_yard, "wanderer")
    (sensor,) = over_the_api(own_yard, "wanderer")["sensors"]
    assert sensor["left_out"] == reason
    own_yard.parts.readings.append(
        [Reading(SensorKey(SITE, "wanderer", "45"), Millis(NOW + 1), 51.0, Millis(NOW + 1))]
    )
    assert "left out" not in told(own_yard, "wanderer")
    assert [one["left_out"] for one in over_the_api(own_yard, "wanderer")["sensors"]] == [None]


def test_a_retained_reading_in_a_pile_is_stale_on_the_page_and_over_the_api(own_yard: Yard) -> None:
    hear(own_yard, "lance-01", [99.0], ArrivalMark.STALE)
    assert "99.0 °C left out: old news" in told(own_yard, "lance-01")
    sensors = asked(own_yard, f"/api/v1/piles/{PILE}/readings?from={iso(NOW)}").json()["sensors"]
    assert [(one["celsius"], one["suspect"]) for one in sensors if one["at"]] == [([99.0], ["stale"])]
    heat = asked(own_yard, f"/api/v1/piles/{PILE}/heat").json()["sensors"]
    assert [one["suspect_reasons"].get("stale", 0) for one in heat] == [0, 1, 0]
    assert "stale 1" in asked(own_yard, f"/piles/{PILE}").text


def test_a_fault_that_the_sums_found_stands_there_once_with_its_depths(own_yard: Yard) -> None:
    for depth in DEPTHS:
        hear(own_yard, "wanderer", [61.0] * 60, ArrivalMark.NONE, depth)
    since = Span(Millis(NOW - 10 * HOUR))
    own_yard.parts.registry.probes.place(Placement("place-1", SITE, "wanderer", PILE, since, "edge"))
    text = told(own_yard, "wanderer")
    assert text.count("stuck") == 1
    faults = {one["fault"] for one in over_the_api(own_yard, "wanderer")["sensors"]}
    assert [str(fault).partition(":")[0] for fault in faults] == ["stuck"]
    assert "20 cm, 45 cm, 75 cm: stuck: no change of 0.1 K for 6 h in an active pile" in text


def test_a_probe_that_can_be_trusted_has_no_doubts_beside_it(own_yard: Yard) -> None:
    assert "left out" not in told(own_yard, "lance-01")
    assert "°C, 45 cm: " in told(own_yard, "lance-01")
