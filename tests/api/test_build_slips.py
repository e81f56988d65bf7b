"""A slip in the build form stands at its field, and nothing that was typed is lost."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.api.builds_made import FORM, PAGE, build, jpeg
from tests.api.conftest import House


def fields(page: str) -> dict[str, list[str]]:
    """What a browser would send of the build form as it stands: read as a browser reads it."""
    form = page[page.index('class="mix"') : page.index("</form>", page.index('class="mix"'))]
    found: dict[str, list[str]] = {}
    for tag in re.findall(r"<input [^>]*>", form):
        name, value = re.search(r'name="(\w+)"', tag), re.search(r'value="([^"]*)"', tag)
        boxed = re.search(r'type="(checkbox|radio)"', tag) and " checked" not in tag
        if name and not boxed and 'type="file"' not in tag:
            found.setdefault(name[1], []).append(html.unescape(value[1]) if value else "")
    for name, options in re.findall(r'<select name="(\w+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options) or re.search(r'value="([^"]*)"', options)
        found.setdefault(name, []).append(chosen[1] if chosen else "")
    text = re.search(r'<textarea name="text"[^>]*>(.*?)</textarea>', form, re.DOTALL)
    found["text"] = [html.unescape(text[1])] if text else []
    return found


TYPED: dict[str, Any] = FORM | {
    "stuff": ["straw", "horse manure", "", "  <leaves>"],
    "amount": ["20", "three", "4", "0"],
    "unit": ["buckets", "kg", "l", "parts"],
    "planned": ["18.0 buckets", "310.0 kg", "", ""],
    "density": ["", "410", "", ""],
    "built_at": "2026-11-24T08:00",
    "kind": "caged",
    "volume_l": "1e",
    "rule_ids": ["three-turns"],
    "air": "warm",
    "first": "hot",
    "by": 'A "maker"',
    "plan": "stuff=straw&amount=20&unit=buckets",
}


def test_every_slip_stands_at_its_field_and_all_that_was_typed_stays(
    house: House, manager: TestClient
) -> None:
    files = {"photo": ("p.jpg", jpeg(), "image/jpeg")}
    answer = manager.post("/piles/build", data=TYPED, files=files, headers=PAGE)
    assert answer.status_code == 422
    assert house.parts.registry.piles.all() == []
    told = dict(re.findall(r'id="slip-([\w-]+)">([^<]*)<', html.unescape(answer.text)))
    assert told.keys() == {"volume_l", "stuff-1", "air", "first"}
    assert "'three' is not a number" in told["stuff-1"]
    for name in told:
        assert f'aria-describedby="slip-{name}"' in answer.text
        assert f'href="#slip-{name}"' in answer.text
    kept = fields(answer.text)
    for name, value in TYPED.items():
        wanted = [one for one in value if one != "no such step"] if isinstance(value, list) else [value]
        if name in {"stuff", "amount", "unit", "planned", "density"}:
            assert kept[name][: len(wanted)] == wanted, name
        else:
            assert kept[name] == wanted, name
    assert "Choose the picture again" in answer.text
    assert "From the plan" in answer.text
    assert answer.headers["content-type"].startswith("text/html")


def test_the_form_as_it_came_back_builds_once_it_is_put_right(house: House, manager: TestClient) -> None:
    again = fields(manager.post("/piles/build", data=FORM | {"air": "warm"}, headers=PAGE).text)
    answer = manager.post("/piles/build", data=again | {"air": ["8,5"]}, headers=PAGE, follow_redirects=False)
    assert answer.status_code == 303
    pile = answer.headers["location"].rpartition("/")[2]
    found = manager.get(f"/api/v1/piles/{pile}/build").json()
    assert found["mix"]["mass_kg"] == pytest.approx(414)
    assert [one["planned"] for one in found["mix"]["feedstocks"]] == ["18.0 buckets", "310.0 kg"]
    assert {one["id"] for one in found["checklist"] if one["done"]} == {"stuff", "mixed"}


@pytest.mark.parametrize(
    ("change", "field"),
    [({"peg": ""}, "peg"), ({"built_at": "2099-01-01T00:00"}, "built_at"), ({"built_at": "soon"}, "built_at"),
     ({"rule_ids": ["nobody"]}, "rule_ids"), ({"guide_id": "nobody"}, "guide_id"), ({"feel": "damp"}, "feel"),
     ({"water_l": "-4"}, "water_l"), ({"air": "900"}, "air"), ({"first_depth": "deep"}, "first_depth"),
     ({"first": "999"}, "first"), ({"by": "x" * 300}, "by"), ({"weather": "x" * 300}, "weather"),
     ({"stuff": ["straw", "straw", ""]}, "stuff"), ({"bucket_l": ""}, "stuff"),
     ({"stuff": ["moon dust", "straw", ""], "amount": ["2", "1", ""], "unit": ["wheelbarrows", "kg", "kg"]}, "stuff-0")],
)  # fmt: skip
def test_a_message_stands_at_the_field_it_is_about(
    manager: TestClient, change: dict[str, Any], field: str
) -> None:
    answer = manager.post("/piles/build", data=FORM | change, headers=PAGE)
    assert answer.status_code == 422
    assert f'id="slip-{field}"' in answer.text


def test_a_peg_in_use_is_told_at_the_peg_and_loses_nothing(manager: TestClient) -> None:
    build(manager)
    again = manager.post("/piles/build", data=FORM, headers=PAGE)
    assert again.status_code == 409
    assert "in use by an open pile" in dict(re.findall(r'id="slip-([\w-]+)">([^<]*)<', again.text))["peg"]
    assert fields(again.text)["stuff"][:2] == ["straw", "horse manure"]


def test_what_is_no_picture_is_told_at_the_picture(manager: TestClient) -> None:
    files = {"photo": ("p.jpg", b"not a picture", "image/jpeg")}
    answer = manager.post("/piles/build", data=FORM, files=files, headers=PAGE)
    assert 'id="slip-photo"' in answer.text
    assert fields(answer.text)["peg"] == ["K-31"]


def test_a_slip_in_a_correction_keeps_what_was_typed_and_the_plan(manager: TestClient) -> None:
    pile = build(manager)
    typed = fields(manager.get(f"/piles/{pile}/build", headers=PAGE).text)
    assert typed["planned"][:2] == ["18.0 buckets", "310.0 kg"]
    answer = manager.post(
        f"/piles/{pile}/build", data=typed | {"air": ["warm"], "weather": ["fog"]}, headers=PAGE
    )
    assert answer.status_code == 422
    assert 'id="slip-air"' in answer.text
    assert fields(answer.text)["weather"] == ["fog"]
    assert manager.get(f"/api/v1/piles/{pile}/build").json()["record"]["weather"] == "dry, light wind"


def test_a_feedstock_that_did_not_go_in_takes_no_plan_from_its_neighbour(manager: TestClient) -> None:
    pile = build(manager, amount=["0", "300", ""])
    (one,) = manager.get(f"/api/v1/piles/{pile}/build").json()["mix"]["feedstocks"]
    assert (one["name"], one["planned"]) == ("horse manure", "310.0 kg")
