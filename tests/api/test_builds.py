"""From a mix to a pile: what went in, by whom, in what weather; the checklist; the page and the API keep the same."""

from __future__ import annotations

import html
import io
import re
from hashlib import sha256
from typing import Any

import pypdf
import pytest
from PIL import Image
from starlette.testclient import TestClient

from tests.api.builds_made import FORM, PAGE, build, words
from tests.api.conftest import SITE, House


def test_a_build_keeps_everything_in_one_go(house: House, manager: TestClient) -> None:
    pile = build(manager)
    found = manager.get(f"/api/v1/piles/{pile}/build").json()
    # straw 400 L at 135 kg/m3 = 54 kg at 12 %; manure 300 kg at 72 %; 60 L of water: 282.48 of 414 kg
    assert found["mix"]["moisture_percent"] == pytest.approx(100 * 282.48 / 414)
    assert found["mix"]["mass_kg"] == pytest.approx(414)
    assert [(one["name"], one["planned"]) for one in found["mix"]["feedstocks"]] == [
        ("straw", "18.0 buckets"), ("horse manure", "310.0 kg"),
    ]  # fmt: skip
    assert found["record"]["by"] == "Maker"
    assert found["record"]["air_c"] == 8.5
    assert {one["id"] for one in found["checklist"] if one["done"]} == {"stuff", "mixed"}
    kinds = [note["kind"] for note in manager.get(f"/api/v1/piles/{pile}/notes").json()["items"]]
    assert sorted(kinds) == ["cover", "hand_reading", "photo", "remark", "remark", "squeeze"]
    report = manager.get(f"/api/v1/piles/{pile}/heat").json()
    assert report["moisture"]["state"] == "right"
    assert report["coverage"]["by"] == "hand"
    assert report["hottest"]["peak_c"] == 14


def test_the_pile_page_shows_the_build(manager: TestClient) -> None:
    said = words(manager, f"/piles/{build(manager)}")
    for part in (
        "How it was built",
        "straw and manure",
        "dry, light wind",
        "8.5 °C",
        "18.0 buckets",
        "the barrow broke",
        "2 of 14 done",
    ):
        assert part in said


def test_a_peg_in_use_builds_nothing_at_all(house: House, manager: TestClient) -> None:
    build(manager)
    again = manager.post("/piles/build", data=FORM, headers=PAGE, follow_redirects=False)
    assert again.status_code == 409
    assert len(house.parts.registry.piles.all()) == 1


@pytest.mark.parametrize(
    "change",
    [{"first": "hot"}, {"amount": ["x", "1", ""]}, {"feel": "damp"}, {"built_at": "2099-01-01T00:00"}, {"air": "900"},
     {"rule_ids": ["nobody"]}, {"water_l": "-4"}],
)  # fmt: skip
def test_a_slip_builds_nothing(house: House, manager: TestClient, change: dict[str, Any]) -> None:
    answer = manager.post("/piles/build", data=FORM | change, headers=PAGE, follow_redirects=False)
    assert answer.status_code == 422
    assert "Traceback" not in answer.text
    assert house.parts.registry.piles.all() == []


def test_what_is_no_picture_builds_nothing(house: House, manager: TestClient) -> None:
    files = {"photo": ("p.jpg", b"not a picture", "image/jpeg")}
    answer = manager.post("/piles/build", data=FORM, files=files, headers=PAGE, follow_redirects=False)
    assert answer.status_code == 422
    assert house.parts.registry.piles.all() == []


def test_the_build_form_carries_the_plan_over(manager: TestClient) -> None:
    found = manager.get(
        "/piles/build?stuff=grass+clippings&amount=100&unit=kg&stuff=leaves&amount=&unit=free&bucket_l=15",
        headers=PAGE,
    ).text
    assert 'value="leaves"' in found
    assert re.search(r"planned [\d.]+ buckets", found)
    assert 'name="peg"' in found


def test_a_record_can_be_corrected_and_both_stay_in_the_log(manager: TestClient) -> None:
    pile = build(manager)
    page = manager.get(f"/piles/{pile}/build", headers=PAGE).text
    assert 'value="300"' in page, "the amounts stand there to be corrected"
    change = {
        "by": "Second maker",
        "stuff": ["straw"],
        "amount": ["25"],
        "unit": ["buckets"],
        "bucket_l": "20",
    }
    assert manager.post(f"/piles/{pile}/build", data=change, follow_redirects=False).status_code == 303
    found = manager.get(f"/api/v1/piles/{pile}/build").json()
    assert found["record"]["by"] == "Second maker"
    assert [one["name"] for one in found["mix"]["feedstocks"]] == ["straw"]
    builds = [
        n for n in manager.get(f"/api/v1/piles/{pile}/notes").json()["items"] if "build" in n["figures"]
    ]
    assert {one["figures"]["build"]["edition"]: one["by"] for one in builds} == {
        1: "Maker",
        2: "Second maker",
    }


def test_the_api_keeps_a_build_of_a_pile_that_came_without_one(
    manager: TestClient, helper: TestClient
) -> None:
    pile = manager.post(
        "/api/v1/piles", json={"site": SITE.slug, "peg": "K-32", "built_at": "2026-11-20T08:00:00Z"}
    ).json()["id"]
    body = {"by": "Maker", "water_l": 10, "mix": {"feedstock": [{"from": "leaves", "volume_l": 500}]}}
    assert helper.put(f"/api/v1/piles/{pile}/build", json=body).status_code == 403
    assert manager.put(f"/api/v1/piles/{pile}/build", json=body).json()["mix"]["water_l"] == 10
    assert manager.put(f"/api/v1/piles/{pile}/build", json={"weight": 1}).status_code == 422
    assert helper.post(f"/api/v1/piles/{pile}/checklist", json={"steps": ["nose"]}).status_code == 201
    assert helper.post(f"/api/v1/piles/{pile}/checklist", json={"steps": ["toes"]}).status_code == 422
    done = {one["id"]: one for one in manager.get(f"/api/v1/piles/{pile}/build").json()["checklist"]}
    assert done["nose"]["by"] == "the helper"
    assert not done["warmer"]["done"]


def test_the_answers_of_the_moment_go_into_the_record(manager: TestClient) -> None:
    manager.put("/api/v1/feedstocks/straw/answers/seeds", json={"text": "a few ears", "verdict": "settled"})
    pile = build(manager)
    manager.put(
        "/api/v1/feedstocks/straw/answers/seeds", json={"text": "full of ears", "verdict": "keep_out"}
    )
    (kept,) = manager.get(f"/api/v1/piles/{pile}/build").json()["record"]["answers"]
    assert (kept["feedstock"], kept["text"], kept["verdict"]) == ("straw", "a few ears", "settled")


def test_a_mix_that_came_over_the_api_opens_in_the_form(manager: TestClient) -> None:
    strange = {
        "rows": ["x", {"stuff": 1, "name": "bark", "amount": 4}],
        "feedstocks": [4, {"name": "bark", "mass_kg": 4}],
    }
    for number, mix in enumerate(
        (strange, {"feedstocks": "none"}, {"name": 4}, {"feedstocks": [{"name": "bark", "mass_kg": 4}]})
    ):
        body = {"site": SITE.slug, "peg": f"K-4{number}", "built_at": "2026-11-20T08:00:00Z", "mix": mix}
        pile = manager.post("/api/v1/piles", json=body).json()["id"]
        assert manager.get(f"/piles/{pile}/build", headers=PAGE).status_code == 200
        assert manager.get(f"/piles/{pile}", headers=PAGE).status_code == 200


def test_a_feedstock_of_which_nothing_went_in_is_left_away(manager: TestClient) -> None:
    plan = "stuff=horse+manure&amount=4000&unit=have_kg&stuff=straw&amount=20000&unit=have_l&stuff=newsprint&amount=5&unit=have_kg"
    page = manager.get(f"/piles/build?{plan}&ratio=30&moisture=60", headers=PAGE)
    assert page.status_code == 200
    pile = build(manager, amount=["20", "0", ""])
    found = manager.get(f"/api/v1/piles/{pile}/build").json()
    assert [one["name"] for one in found["mix"]["feedstocks"]] == ["straw"]


def test_a_build_with_a_photo_shows_it_on_the_page_and_in_the_record(manager: TestClient) -> None:
    pile = build(manager)
    page = manager.get(f"/piles/{pile}", headers=PAGE).text
    (address,) = set(re.findall(r'src="([^"]*photo[^"]*)"', page))
    shown = manager.get(html.unescape(address))
    assert shown.headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(shown.content)).size == (40, 30)
    body = {"by": "Second maker", "water_l": 80}
    assert manager.put(f"/api/v1/piles/{pile}/build", json=body).json()["record"]["by"] == "Second maker"
    record = pypdf.PdfReader(io.BytesIO(manager.get(f"/api/v1/piles/{pile}/report.pdf").content))
    text = " ".join(" ".join(leaf.extract_text() for leaf in record.pages).split())
    for part in ("Second maker", "straw", "first reading", "14.0 °C", "at the build; Maker"):
        assert part in text
    assert sha256(shown.content).hexdigest() in text.replace(" ", "")
    assert (40, 30) in [image.image.size for leaf in record.pages for image in leaf.images if image.image]
