"""The mix planner as a page: everything without a script, bad input in words, nothing typed is lost."""

from __future__ import annotations

import html
import re
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from tests.api.conftest import House

PAGE = {"Accept": "text/html"}
Pairs = list[tuple[str, str]]


def stuff(name: str, amount: str, unit: str, **figures: str) -> Pairs:
    columns = ("water", "c", "n", "cn", "density", "piece")
    return [
        ("stuff", name),
        ("amount", amount),
        ("unit", unit),
        *((key, figures.get(key, "")) for key in columns),
    ]


def words(client: TestClient, *pairs: Pairs) -> str:
    query = urlencode([pair for some in pairs for pair in some])
    answer = client.get(f"/mix?{query}", headers=PAGE)
    assert answer.status_code == 200
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def test_an_empty_page_asks_and_offers_examples(viewer: TestClient) -> None:
    found = viewer.get("/mix", headers=PAGE).text
    assert 'name="stuff"' in found
    example = re.findall(r'class="button" href="(/mix\?[^"]+)"', found)
    assert len(example) == 3
    for address in example:
        assert "What goes in" in viewer.get(html.unescape(address), headers=PAGE).text


def test_leaves_for_grass_are_solved_and_the_conflict_is_said(viewer: TestClient) -> None:
    # Cornell Composting, "Moisture content": 6.8 kg of leaves for 60 %; for C:N 30 arithmetic gives 3.474 kg
    found = words(
        viewer,
        stuff("my grass", "10", "kg", water="77", c="45", n="2.4"),
        stuff("my leaves", "", "free", water="35", c="50", n="0,75"),
        [("ratio", "30"), ("moisture", "60")],
    )
    assert "6.8 kg would meet the moisture, 3.5 kg the C:N" in found
    assert "The two aims conflict." in found


def test_buckets_are_volumes_and_mixing_batches_are_equal(viewer: TestClient) -> None:
    # our own example by arithmetic: 6 + 18 + 36 buckets of 15 L in four batches are 1.5 + 4.5 + 9
    found = words(
        viewer,
        *(stuff(name, amount, "buckets", water="50", n="1", cn="30", density="400") for name, amount in
          (("rich", "6"), ("green", "18"), ("brown", "36"))),
        [("count", "4"), ("bucket_l", "15")],
    )  # fmt: skip
    assert "900 L" in found
    for share in ("1.5 buckets", "4.5 buckets", "9.0 buckets"):
        assert share in found


def test_parts_are_labelled_rough(viewer: TestClient) -> None:
    found = words(
        viewer,
        stuff("rich", "10", "parts", cn="12"),
        stuff("green", "30", "parts", cn="30"),
        stuff("brown", "60", "parts", cn="60"),
    )
    assert "Rough: by parts" in found
    assert "C:N, rough" in found


def test_a_rule_that_is_chosen_brings_its_start_window(viewer: TestClient) -> None:
    found = words(viewer, stuff("newsprint", "10", "kg"), [("rule", "us-organic-windrow")])
    assert "25:1 to 40:1" in found


@pytest.mark.parametrize(
    ("pairs", "why"),
    [
        (stuff("leaves", "", "kg"), "leaves: how much?"),
        (stuff("", "4", "kg"), "Name the feedstock"),
        (stuff("leaves", "four", "kg"), "'four' is not a number"),
        (stuff("leaves", "-4", "kg"), "greater than 0"),
        ([*stuff("leaves", "4", "kg"), ("ratio", "0")], "carbon to nitrogen"),
        (stuff("leaves", "4", "wheelbarrows"), "no unit called"),
        ([*stuff("leaves", "4", "kg"), ("rule", "nobody")], "nobody"),
        ([*stuff("leaves", "4", "kg"), *stuff("leaves", "5", "kg")], "same name"),
        ([*stuff("leaves", "4", "buckets"), ("bucket_l", "")], "how large a bucket is"),
    ],
)
def test_a_slip_is_told_in_words_and_what_was_typed_stays(viewer: TestClient, pairs: Pairs, why: str) -> None:
    found = viewer.get("/mix?" + urlencode(pairs), headers=PAGE)
    assert found.status_code == 200
    assert why in html.unescape(found.text)
    for name, value in pairs:
        if name == "stuff" and value:
            assert f'value="{value}"' in found.text


def test_answers_are_stored_with_who_and_when_and_stand_again(house: House, helper: TestClient) -> None:
    form = {
        "feedstock": "horse manure",
        "question": ["sprays", "medicine", "age"],
        "text": ["hay from a sprayed field", "wormed in May", ""],
        "verdict": ["keep_out", "settled", "open"],
        "next": "/mix",
    }
    assert helper.post("/mix/answers", data=form, follow_redirects=False).status_code == 303
    page = words(helper, stuff("horse manure", "100", "kg"))
    assert "horse manure: keep it out of the pile (hay from a sprayed field)" in page
    held = {one["question"]: one for one in helper.get("/api/v1/feedstocks/horse%20manure/answers").json()}
    assert held["medicine"]["text"] == "wormed in May"
    assert held["medicine"]["by"] == "the helper"
    assert held["medicine"]["at"] is not None
    assert held["age"]["at"] is None


def test_an_answer_over_the_api_needs_a_question_that_is_asked(
    helper: TestClient, viewer: TestClient
) -> None:
    address = "/api/v1/feedstocks/straw/answers"
    assert helper.put(f"{address}/seeds", json={"text": "none seen", "verdict": "settled"}).status_code == 200
    assert helper.put(f"{address}/colour", json={}).status_code == 404
    assert helper.put(f"{address}/seeds", json={"verdict": "maybe"}).status_code == 422
    assert viewer.put(f"{address}/seeds", json={}).status_code == 403


def test_an_own_feedstock_is_kept_by_the_weight_of_a_bucket(manager: TestClient, viewer: TestClient) -> None:
    form = {
        "name": "yard sweepings", "moisture": "40", "nitrogen": "1,1", "ratio": "28", "bucket_kg": "8", "bucket_l": "20",
        "source": "own laboratory sheet",
    }  # fmt: skip
    assert manager.post("/mix/feedstocks", data=form, follow_redirects=False).status_code == 303
    rows = {row["name"]: row for row in viewer.get("/api/v1/feedstocks").json()["items"]}
    assert rows["yard sweepings"]["bulk_density_kg_m3"] == pytest.approx(400)
    assert rows["yard sweepings"]["source"] == "own laboratory sheet"
    assert "yard sweepings" in viewer.get("/mix/feedstocks", headers=PAGE).text
    assert viewer.post("/mix/feedstocks", data=form).status_code == 403
    manager.post("/mix/feedstocks/remove", data={"name": "yard sweepings"}, follow_redirects=False)
    assert "yard sweepings" not in viewer.get("/mix/feedstocks", headers=PAGE).text


def test_every_row_of_the_table_has_a_source_and_a_status(viewer: TestClient) -> None:
    rows = viewer.get("/api/v1/feedstocks").json()["items"]
    assert len(rows) >= 27
    for row in rows:
        assert row["source"], row["name"]
        assert row["status"] in {"read", "from memory, unverified"}
        assert row["bulk_density_kg_m3"] is None or row["bulk_density_source"] or row["status"] != "read"


FEEDSTOCK = {
    "name": "barn straw", "moisture": "12", "nitrogen": "0,7", "carbon": "", "ratio": "80", "density": "",
    "bucket_kg": "1.9", "bucket_l": "20", "source": "weighed <here>",
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"moisture": "wet"}, "moisture"),
        ({"moisture": "120"}, "moisture"),
        ({"ratio": "-3"}, "ratio"),
        ({"name": " "}, "name"),
        ({"source": "x" * 300}, "source"),
        ({"bucket_l": ""}, "bucket_l"),
        ({"bucket_l": "0"}, "bucket_l"),
        ({"bucket_kg": ""}, "bucket_kg"),
        ({"bucket_kg": "-2"}, "density"),
    ],
)
def test_a_slip_in_an_own_feedstock_stands_at_its_field_and_all_stays(
    manager: TestClient, change: dict[str, str], field: str
) -> None:
    typed = FEEDSTOCK | change
    answer = manager.post("/mix/feedstocks", data=typed, headers=PAGE)
    assert answer.status_code == 422
    assert f'id="slip-{field}"' in answer.text
    assert '<details id="own" open>' in answer.text
    for name, value in typed.items():
        found = re.search(rf'<input name="{name}"[^>]*value="([^"]*)"', answer.text)
        assert found, name
        assert html.unescape(found[1]) == value
    assert "barn straw" not in [
        one["name"] for one in manager.get("/api/v1/feedstocks?limit=500").json()["items"]
    ]


def test_an_own_feedstock_may_be_given_by_the_weight_of_a_bucket(manager: TestClient) -> None:
    assert manager.post("/mix/feedstocks", data=FEEDSTOCK, follow_redirects=False).status_code == 303
    rows = {one["name"]: one for one in manager.get("/api/v1/feedstocks?limit=500").json()["items"]}
    assert rows["barn straw"]["bulk_density_kg_m3"] == pytest.approx(95)
