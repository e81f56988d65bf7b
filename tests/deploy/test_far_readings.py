"""`turnbell serve` with its readings in VictoriaMetrics: from the probe to the page, and a wrong address in words."""

from __future__ import annotations

from pathlib import Path

import paho.mqtt.publish as mqtt
import pytest

from deploy.errors import UserError
from deploy.house import open_house
from shared.settings import Settings
from tests import loopback
from tests.contracts.victoria import Victoria
from tests.e2e.harness import serving, until

PATIENCE_S = 60.0


def test_an_address_that_cannot_be_used_is_a_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"\[readings\] url: it must begin with victoria://"):
        open_house(tmp_path / "data", Settings.model_validate({"readings": {"url": "http://x"}}), create=True)
    assert not (tmp_path / "data" / "registry.db").exists()


def test_a_reading_travels_from_the_probe_to_the_far_store(victoria: Victoria, tmp_path: Path) -> None:
    config = tmp_path / "turnbell.toml"
    config.write_text(f'[readings]\nurl = "{victoria.fresh()}"\n', "utf-8")
    data = tmp_path / "data"
    with serving(data, config=config) as service:
        mqtt.single(
            "turnbell/larkfield/P-01/readings",
            '{"celsius":{"45":61.9}}',
            qos=1,
            hostname=service.mqtt_host,
            port=service.mqtt_port,
        )
        measurement = config.read_text("utf-8").split("measurement=")[1].split('"')[0]

        def arrived() -> bool:
            victoria.flush()
            asked = {"match[]": f'{measurement}_value{{probe="P-01",depth="45"}}', "start": "0"}
            answer = loopback.get(f"{victoria.url}/api/v1/export", params=asked)
            return "61.9" in answer.text

        until(arrived, PATIENCE_S, "the reading in the far store")
        health = loopback.get(f"{service.web}healthz", timeout=PATIENCE_S).json()
        assert health["loops"]["forward"]["alive"]
        assert service.stop() == 0
