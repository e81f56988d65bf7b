"""What batches have to teach: figures by hand, their n, and a season's table that no spreadsheet runs."""

from __future__ import annotations

import csv
import html
import io
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from shared.piles import FieldNote, Pile, Placement, Turn
from shared.times import DAY, HOUR, Millis, Span
from tests.api.conftest import BUILT, SITE, House

PAGE = {"Accept": "text/html"}


def batch(
    house: House,
    peg: str,
    mix: dict[str, Any] | None,
    *,
    warm_h: int,
    celsius: float,
    notes: tuple[FieldNote, ...] = (),
) -> str:
    """Hourly readings: 20 °C for ``warm_h`` hours, then ``celsius`` up to the sixth day; turned on the third."""
    registry = house.parts.registry
    pile = f"pile-{peg}"
    start = Millis(BUILT - 30 * DAY)
    registry.piles.add(Pile(pile, SITE.slug, peg, start, mix=mix, finished_at=Millis(start + 6 * DAY)))
    registry.probes.place(Placement(f"w-{peg}", SITE.slug, f"lance-{peg}", pile, Span(start), "middle"))
    values = ([20.0] * warm_h + [celsius] * (6 * 24))[: 6 * 24 + 1]
    house.hear(f"lance-{peg}", "45", values, start=start, step_ms=HOUR)
    registry.piles.add_turn(Turn(f"t-{peg}", pile, Millis(start + 3 * DAY)))
    for note in notes:
        registry.piles.add_note(note)
    return pile


@pytest.fixture
def season(house: House) -> House:
    green = {"name": "green and brown", "carbon_to_nitrogen": 28.0}
    sour = FieldNote("n1", "pile-K-02", "smell", Millis(BUILT - 29 * DAY), figures={"smell": "sour"})
    water = FieldNote("n2", "pile-K-02", "water", Millis(BUILT - 28 * DAY), figures={"litres": 40})
    batch(house, "K-01", green, warm_h=12, celsius=60)
    batch(house, "K-02", green, warm_h=24, celsius=71, notes=(sour, water))
    batch(house, "K-03", green, warm_h=48, celsius=58)
    batch(
        house,
        "=1+1",
        {"feedstocks": [{"name": "straw", "mass_kg": 40}, {"name": "@dung"}]},
        warm_h=200,
        celsius=0,
    )
    return house


def test_the_middle_of_three_stands_with_its_ends_and_its_n(season: House, viewer: TestClient) -> None:
    found = viewer.get("/api/v1/batches/compare").json()
    assert len(found["batches"]) == 4
    green = found["by_mix"][0]
    assert (green["name"], green["n"], green["batches"]) == ("green and brown", 3, ["K-01", "K-02", "K-03"])
    assert green["hours_to_hot"] == {"n": 3, "middle": 24, "least": 12, "most": 48}
    assert green["turns"] == {"n": 3, "middle": 1, "least": 1, "most": 1}
    assert green["went_wrong"]["ran at 70 °C or more"] == 1
    assert green["went_wrong"]["smelt sour or rotten"] == 1
    cold = found["by_mix"][1]
    assert cold["name"] == "@dung, straw"
    assert cold["hours_to_hot"] == {"n": 0, "middle": None, "least": None, "most": None}
    assert cold["went_wrong"]["never reached 55 °C"] == 1
    assert [one["name"] for one in found["by_start_ratio"]] == ["C:N 25 to 35", "C:N not known"]


def test_batches_can_be_chosen_by_id_site_and_year(season: House, viewer: TestClient) -> None:
    two = viewer.get("/api/v1/batches/compare?id=pile-K-01&id=pile-K-03").json()
    assert [one["peg"] for one in two["batches"]] == ["K-01", "K-03"]
    assert viewer.get("/api/v1/batches/compare?id=nobody").status_code == 404
    assert viewer.get("/api/v1/batches/compare?site=elsewhere").json()["batches"] == []
    assert viewer.get("/api/v1/batches/compare?year=1999").json()["batches"] == []
    assert viewer.get("/api/v1/batches/compare?year=soon").status_code == 422


def test_without_a_finished_batch_there_is_nothing_to_learn(viewer: TestClient) -> None:
    assert viewer.get("/api/v1/batches/compare").json()["by_mix"] == []
    assert "No batch is finished yet" in viewer.get("/batches/compare", headers=PAGE).text


def test_the_page_says_how_many_and_from_where_to_where(season: House, viewer: TestClient) -> None:
    page = html.unescape(
        re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", viewer.get("/batches/compare", headers=PAGE).text))
    )
    for said in (
        "4 batches.",
        "green and brown",
        "24 h",
        "12 to 48",
        "1 of 3: ran at 70 °C or more",
        "do not conclude",
    ):
        assert said in page


def test_the_season_is_a_table_whose_cells_are_text_and_figures(season: House, viewer: TestClient) -> None:
    answer = viewer.get("/api/v1/batches.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = {row["peg"]: row for row in csv.DictReader(io.StringIO(answer.text))}
    assert set(rows) == {"K-01", "K-02", "K-03", "'=1+1"}
    assert rows["'=1+1"]["mix"] == "'@dung, straw"
    assert rows["'=1+1"]["hours_to_55"] == "", "unknown is empty, never 0"
    second = rows["K-02"]
    assert (second["hours_to_55"], second["peak_c"], second["watered_l"]) == ("24.0", "71.0", "40.0")
    assert float(second["hottest_hours_55"]) == pytest.approx(6 * 24 - 24 + 1 * (71 - 55) / 51 - 1, abs=0.1)
    assert "smelt sour or rotten" in second["went_wrong"]
    assert all(not cell.startswith(("=", "+", "-", "@")) for row in rows.values() for cell in row.values())


def test_more_batches_than_are_looked_at_are_counted(
    season: House, viewer: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert viewer.get("/api/v1/batches/compare").json()["of"] == 4
    monkeypatch.setattr("api.v1.batches.MOST", 3)
    found = viewer.get("/api/v1/batches/compare").json()
    assert (len(found["batches"]), found["of"]) == (3, 4)
    assert found["note"].startswith("The last 3 of 4 batches.")
    assert len(viewer.get("/api/v1/batches.csv").text.splitlines()) == 5, "the table holds them all"
