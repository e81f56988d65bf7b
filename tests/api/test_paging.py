"""Lists come in pages that neither lose nor repeat anything."""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest
from starlette.testclient import TestClient

from shared.episodes import Episode
from shared.notices import Notice
from shared.times import HOUR, Millis
from tests.api.conftest import NOW, House


def walk(client: TestClient, address: str, limit: int) -> list[dict[str, Any]]:
    """Every item of a list, page by page."""
    items: list[dict[str, Any]] = []
    cursor: str | None = ""
    for _ in range(100):
        mark = "&" if "?" in address else "?"
        query = f"{mark}limit={limit}" + (f"&cursor={cursor}" if cursor else "")
        page = client.get(address + query).json()
        assert len(page["items"]) <= limit
        items += page["items"]
        cursor = page["next"]
        if cursor is None:
            return items
    raise AssertionError("the list does not end")


def fill(house: House, count: int) -> None:
    """``count`` of each noun that is listed, several at the same instant."""
    registry = house.parts.registry
    manager = house.client("manager")
    for number in range(count):
        pile = house.pile(f"K-{number:02d}")
        at = Millis(NOW - (number // 2) * HOUR)
        registry.episodes.put(
            Episode(
                f"e{number:02d}", "turn_due", "larkfield", pile.id, "", "act", "open", at, "load_reached_1"
            )
        )
        registry.notices.put(
            Notice(
                f"n{number:02d}", f"e{number:02d}", "turn_due", "act", "p", "c", "first", at, "title", "text"
            )
        )
        registry.quarantine.put(at, "turnbell/x", "no JSON", b"\xff")
        manager.post("/api/v1/people", json={"name": "Mina", "zone": "UTC", "units": "celsius"})
        house.hear(f"lance-{number}", "45", [50.0])


LISTS = (
    "/api/v1/piles", "/api/v1/piles?open=true", "/api/v1/probes", "/api/v1/people", "/api/v1/rules", "/api/v1/round",
    "/api/v1/episodes", "/api/v1/episodes?open=true", "/api/v1/notices", "/api/v1/quarantine",
)  # fmt: skip


def test_pages_of_any_size_make_up_the_whole_list(house: House, manager: TestClient) -> None:
    fill(house, 7)
    for address in LISTS:
        whole = manager.get(address).json()
        assert whole["next"] is None
        assert len(whole["items"]) >= 7, address
        for limit in (1, 3, 7):
            assert walk(manager, address, limit) == whole["items"], (address, limit)


def test_logs_are_newest_first(house: House, manager: TestClient) -> None:
    fill(house, 5)
    for address, name in (("/api/v1/episodes", "opened_at"), ("/api/v1/notices", "at")):
        times = [one[name] for one in manager.get(address).json()["items"]]
        assert times == sorted(times, reverse=True)


def test_what_comes_and_goes_between_two_pages_moves_nothing(house: House, manager: TestClient) -> None:
    for peg in ("K-02", "K-04", "K-06", "K-08"):
        house.pile(peg)
    first = manager.get("/api/v1/piles?limit=2").json()
    house.pile("K-01")
    house.pile("K-05")
    rest = manager.get(f"/api/v1/piles?cursor={first['next']}").json()["items"]
    assert [pile["peg"] for pile in first["items"] + rest] == ["K-02", "K-04", "K-05", "K-06", "K-08"]


def forged(key: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


@pytest.mark.parametrize(
    "cursor",
    ["x", "%00", "%E2%82%AC", forged({}), forged([]), forged(["a"]), forged([1, 2, 3, 4]), "W" * 400],
)
def test_a_cursor_that_is_not_ours_is_refused(house: House, manager: TestClient, cursor: str) -> None:
    fill(house, 2)
    for address in (
        "/api/v1/piles",
        "/api/v1/episodes",
        "/api/v1/notices",
        "/api/v1/quarantine",
        "/api/v1/round",
    ):
        answer = manager.get(f"{address}?cursor={cursor}")
        assert answer.status_code == 422, address
        assert answer.json()["errors"][0]["where"] == "query.cursor"


@pytest.mark.parametrize("limit", ["0", "-1", "1001", "many"])
def test_a_limit_has_bounds(manager: TestClient, limit: str) -> None:
    assert manager.get(f"/api/v1/piles?limit={limit}").status_code == 422
