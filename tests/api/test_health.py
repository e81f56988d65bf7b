"""Whether the service says truly how it is."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from api.parts import LoopState
from shared.episodes import Episode
from shared.ports import StoreBusy
from tests.api.conftest import NOW, House, build_house, close_house


def test_well_is_said_while_every_loop_runs_and_else_which_does_not(tmp_path: Path) -> None:
    loops = {"ingest": LoopState(True, 0.5), "watch": LoopState(True, 1.0)}

    def states() -> Mapping[str, LoopState]:
        return loops

    house = build_house(tmp_path, loops=states)
    client = house.client()
    assert client.get("/healthz").status_code == 200
    loops["ingest"] = LoopState(False, 31.0, "the broker is gone")
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json() == {
        "status": "failing",
        "failing": ["ingest"],
        "loops": {
            "ingest": {"alive": False, "last_beat_s": 31.0, "error": "the broker is gone"},
            "watch": {"alive": True, "last_beat_s": 1.0, "error": ""},
        },
    }
    text = client.get("/metrics").text
    assert 'turnbell_loop_up{loop="ingest"} 0.0' in text
    assert 'turnbell_loop_up{loop="watch"} 1.0' in text
    close_house(house)


def test_ready_means_that_both_stores_would_take_a_write(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = house.client()
    assert client.get("/readyz").json() == {"status": "ready", "registry": "ok", "readings": "ok"}

    def full() -> None:
        raise StoreBusy("the disk is full")

    monkeypatch.setattr(house.parts.registry, "ping", full)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["registry"] == "the disk is full"


def test_figures_are_counted_by_route_and_never_by_what_was_typed(house: House, manager: TestClient) -> None:
    house.parts.registry.episodes.put(
        Episode("e-1", "turn_due", "larkfield", house.pile().id, "", "act", "open", NOW, "load_reached_1")
    )
    for name in ("one", "two", "three"):
        manager.get(f"/api/v1/piles/{name}")
    manager.get("/wp-login.php")
    manager.request("BREW", "/healthz")
    text = manager.get("/metrics").text
    families = {family.name: family for family in text_string_to_metric_families(text)}
    requests = {
        (sample.labels["route"], sample.labels["method"], sample.labels["status"]): sample.value
        for sample in families["turnbell_http_requests"].samples
        if sample.name.endswith("_total")
    }
    assert requests[("/api/v1/piles/{pile}", "GET", "404")] == 3
    assert requests[("none", "GET", "404")] == 1
    assert "wp-login" not in text
    assert families["turnbell_open_piles"].samples[0].value == 1
    assert families["turnbell_open_episodes"].samples[0].labels == {"kind": "turn_due"}
    assert families["turnbell_registry_up"].samples[0].value == 1


def test_a_page_server_tells_of_loops_in_other_processes(house: House) -> None:
    memory = house.parts.registry.memory
    memory.set("beat.ingest", str(NOW - 4_000))
    memory.set("beat.watch", str(NOW - 90_000))
    memory.set("beat.forward", "")  # taken away for good
    text = house.client().get("/metrics").text
    assert 'turnbell_anywhere_last_beat_seconds{loop="ingest"} 4.0' in text
    assert 'turnbell_anywhere_last_beat_seconds{loop="watch"} 90.0' in text
    assert 'loop="forward"' not in text


def test_a_store_in_trouble_leaves_the_other_figures(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(**_: object) -> None:
        raise StoreBusy("locked")

    monkeypatch.setattr(house.parts.registry.piles, "all", failing)
    text = house.client().get("/metrics").text
    assert "turnbell_registry_up 0.0" in text
    assert "turnbell_http_requests_total" in text
