"""A logger's file through the pages: looked at first, stored on a yes, taken back without a trace."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.auth import create_token
from shared.imports import find_import, imports_of
from shared.piles import Pile, Placement, Site
from shared.times import HOUR, Millis, Span, iso
from tests.api.conftest import BUILT, SITE, House

PAGE = {"Accept": "text/html"}


@pytest.fixture
def pile(manager: TestClient) -> str:
    body = {"site": SITE.slug, "peg": "K-01", "built_at": iso(BUILT)}
    return str(manager.post("/api/v1/piles", json=body).json()["id"])


def rows(count: int = 48, celsius: float = 140.0) -> str:
    lines = [f"{iso(Millis(BUILT + hour * HOUR))},logger,45,{celsius}" for hour in range(count)]
    return "\n".join(["time,probe,depth_cm,fahrenheit", *lines, ""])


def look(client: TestClient, pile: str, text: str | bytes, **fields: str) -> Any:
    raw = text.encode() if isinstance(text, str) else text
    files = {"readings": ("logger.csv", raw, "text/csv")}
    return client.post(f"/piles/{pile}/import/preview", files=files, data=fields, headers=PAGE)


def hidden(page: str) -> dict[str, str]:
    form = page[page.index('class="main big"') - 900 : page.index('class="main big"')]
    return {name: html.unescape(value) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', form)}


def test_a_file_is_looked_at_stored_and_taken_back(house: House, manager: TestClient, pile: str) -> None:
    seen = look(manager, pile, rows())
    assert seen.status_code == 200
    text = html.unescape(seen.text)
    for said in (
        "48 rows, a row for each reading",
        "in °F",
        "divided by commas",
        "60.0 °C",
        "Yes, store 48 readings in K-01",
    ):
        assert said in text
    assert house.parts.readings.count() == 0

    fields = hidden(seen.text)
    assert manager.post(f"/piles/{pile}/import", data=fields, follow_redirects=False).status_code == 303
    (record,) = imports_of(house.parts.registry)
    house.app.state.imports.wait(record.id, 60)
    assert find_import(house.parts.registry, record.id).state == "done"
    assert house.parts.readings.count() == 48
    report = manager.get(f"/api/v1/piles/{pile}/heat").json()
    assert report["hottest"]["hours_above"]["55"] == pytest.approx(47)
    page = manager.get(f"/piles/{pile}/import", headers=PAGE).text
    assert "48 readings stored, 0 were there already" in page
    assert list((house.parts.data_dir / "uploads").glob("*.csv")) == [], "a stored file is not kept"

    (undo,) = re.findall(rf"/piles/{pile}/imports/\w+/undo", page)
    assert manager.post(undo, follow_redirects=False).status_code == 303
    assert house.parts.readings.count() == 0
    assert manager.get(f"/api/v1/piles/{pile}/heat").json()["sensors"] == []
    assert manager.post(undo, headers=PAGE, follow_redirects=False).status_code == 409


def test_another_zone_is_read_without_sending_the_file_again(manager: TestClient, pile: str) -> None:
    text = "time;core 45 cm\n2026-11-21 10:00;60,5\n2026-11-21 10:30;FAULT\n"
    first = look(manager, pile, text)
    assert "10:00" in first.text
    fields = hidden(first.text) | {"zone": "America/New_York", "probe": "logger"}
    again = manager.post(f"/piles/{pile}/import/preview", data=fields, headers=PAGE)
    assert again.status_code == 200
    assert "America/New_York" in again.text
    assert ">logger</th>" in again.text
    assert "1 cells hold no number" in again.text


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("a,b\n1,2\n", "no time column"),
        (b"\xff\xfe\x00\x01", "UTF-8"),
        ("time,core\nyesterday,60\n", "yesterday"),
        ("time,core\n", "no readings"),
    ],
)
def test_a_file_that_cannot_be_read_says_why_and_stores_nothing(
    house: House, manager: TestClient, pile: str, text: str | bytes, why: str
) -> None:
    answer = look(manager, pile, text)
    assert answer.status_code == 422
    assert why in html.unescape(answer.text)
    assert str(house.parts.data_dir) not in answer.text
    assert house.parts.readings.count() == 0


def test_nobody_chose_a_file(manager: TestClient, pile: str) -> None:
    typed = {"zone": "America/New_York", "probe": "logger 7"}
    answer = manager.post(f"/piles/{pile}/import/preview", data=typed, headers=PAGE)
    assert answer.status_code == 422
    assert 'id="slip-readings">Choose a file first.' in answer.text
    for name, value in typed.items():
        assert f'name="{name}" value="{value}"' in answer.text, "what was typed stays"


def test_an_empty_file_is_told_by_its_name(manager: TestClient, pile: str) -> None:
    answer = look(manager, pile, "", probe="logger")
    assert answer.status_code == 422
    assert "logger.csv is empty." in answer.text
    assert 'value="logger"' in answer.text


def test_a_zone_that_does_not_exist_is_told(manager: TestClient, pile: str) -> None:
    assert look(manager, pile, rows(), zone="Mars/Crater").status_code == 422


def test_a_probe_that_stood_elsewhere_is_not_offered(house: House, manager: TestClient, pile: str) -> None:
    other = manager.post(
        "/api/v1/piles", json={"site": SITE.slug, "peg": "K-02", "built_at": iso(BUILT)}
    ).json()["id"]
    house.parts.registry.probes.place(Placement("w", SITE.slug, "logger", other, Span(BUILT), "middle"))
    answer = look(manager, pile, rows())
    assert "It cannot be stored" in answer.text
    assert "K-02" in answer.text
    assert "Yes, store" not in answer.text


def test_a_file_can_be_thrown_away_and_names_lead_nowhere_else(
    house: House, manager: TestClient, pile: str
) -> None:
    fields = hidden(look(manager, pile, rows()).text)
    assert manager.post(f"/piles/{pile}/import/drop", data=fields, follow_redirects=False).status_code == 303
    assert list((house.parts.data_dir / "uploads").glob("*")) == []
    assert manager.post(f"/piles/{pile}/import", data=fields, headers=PAGE).status_code == 410
    for kept in ("../registry", "registry.db", "x" * 50):
        answer = manager.post(f"/piles/{pile}/import", data=fields | {"kept": kept}, headers=PAGE)
        assert answer.status_code == 410


def test_only_a_manager_loads_files(helper: TestClient, manager: TestClient, pile: str) -> None:
    assert helper.get(f"/piles/{pile}/import", headers=PAGE).status_code == 403
    assert look(helper, pile, rows()).status_code == 403


def test_a_manager_of_one_site_loads_files_there_and_nowhere_else(house: House, pile: str) -> None:
    house.parts.registry.sites.add(Site("meadow", "Meadow", "Europe/Dublin"))
    house.parts.registry.piles.add(Pile("mead-1", "meadow", "M-01", BUILT))
    secret = create_token(house.parts.registry, "manager", "meadow manager", house.clock.at, site="meadow")
    client = house.client(Authorization=f"Bearer {secret}")
    assert look(client, pile, rows()).status_code == 404
    fields = hidden(look(client, "mead-1", rows(4)).text)
    assert client.post(f"/piles/{pile}/import", data=fields, headers=PAGE).status_code == 404
    assert client.post("/piles/mead-1/import", data=fields, follow_redirects=False).status_code == 303
    (record,) = imports_of(house.parts.registry, "mead-1")
    house.app.state.imports.wait(record.id, 60)
    assert client.post(f"/piles/{pile}/imports/{record.id}/undo", headers=PAGE).status_code == 404
    assert client.post(f"/piles/mead-1/imports/{record.id}/undo", follow_redirects=False).status_code == 303
    assert house.parts.readings.count() == 0
