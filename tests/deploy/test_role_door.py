"""A role without pages shows how it is and what it has counted."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.publish as mqtt
import pytest
from starlette.testclient import TestClient

from api.parts import LoopState
from api.role_app import create_role_app
from tests import loopback
from tests.api.conftest import build_house, close_house
from tests.deploy.composed import composed
from tests.e2e.harness import Running, healthy, started, until

PATIENCE_S = 120.0


def test_the_door_of_a_role_has_three_ways_and_no_other(tmp_path: Path) -> None:
    loops = {"ingest": LoopState(True, 0.5, counts={"messages": 7, "deaf": 0})}
    house = build_house(tmp_path, loops=lambda: loops)
    client = TestClient(create_role_app(house.parts))
    assert (client.get("/healthz").status_code, client.get("/readyz").status_code) == (200, 200)
    text = client.get("/metrics").text
    assert "turnbell_ingest_messages_total 7.0" in text
    assert "turnbell_ingest_deaf_total 0.0" in text
    loops["ingest"] = LoopState(False, 31.0, "the broker is gone")
    assert client.get("/healthz").status_code == 503
    for path in ("/", "/enter", "/api/v1/piles", "/openapi.json", "/static/app.css"):
        assert client.get(path, headers={"Accept": "text/html"}).status_code == 404
    close_house(house)


@contextmanager
def _role(kind: str, data: Path, config: Path) -> Iterator[Running]:
    command = [sys.executable, "-m", "deploy", kind, "--data", str(data), "--config", str(config)]
    with started(command) as running:

        def said() -> str:
            found = re.search(r"How it is: (http://127\.0\.0\.1:\d+/)healthz", running.output())
            return found[1] if found else ""

        running.web = until(said, PATIENCE_S, f"its address; it said: {running.output()}")
        until(lambda: healthy(running.web), PATIENCE_S, f"a healthy {kind}; it said: {running.output()}")
        yield running


def _figures(running: Running) -> dict[str, float]:
    text = loopback.get(f"{running.web}metrics", timeout=PATIENCE_S).text
    return {name: float(value) for name, value in re.findall(r"^(\S+) (\S+)$", text, re.MULTILINE)}


@pytest.mark.usefixtures("mosquitto")
def test_an_ingester_and_a_watch_by_themselves_can_be_asked(tmp_path: Path) -> None:
    with composed(tmp_path / "made") as made:
        login = made.enrol("larkfield", "P-01")
        made.reload()
        config = tmp_path / "turnbell.toml"
        config.write_text(
            f'[mqtt]\nhost = "localhost"\nport = {made.port}\nusername = "turnbell.ingest"\n'
            f'password_file = "{made.secret("mqtt_password")}"\ntls_ca = "{made.secret("mqtt_ca")}"\n'
        )
        data = tmp_path / "data"
        with _role("ingest", data, config) as ingest, _role("watch", data, config) as watch:
            assert loopback.get(f"{watch.web}readyz", timeout=PATIENCE_S).json()["status"] == "ready"
            mqtt.single(
                "turnbell/larkfield/P-01/readings", '{"celsius":{"45":61.9}}', 1, hostname="localhost", port=made.port,
                auth={"username": login.username, "password": login.password},
                tls={"ca_certs": str(made.secret("mqtt_ca"))},
            )  # fmt: skip
            until(
                lambda: _figures(ingest)["turnbell_ingest_messages_total"] == 1,
                PATIENCE_S,
                "one message counted",
            )
            assert _figures(watch)['turnbell_loop_up{loop="watch"}'] == 1
            assert (ingest.stop(), watch.stop()) == (0, 0)
