"""The secrets, the broker and the logins of the compose file, with a real broker."""

from __future__ import annotations

import json
import stat
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import MQTTErrorCode

from ingest.broker_files import INGEST_USER
from tests.deploy.composed import COMPOSE, FOLDER, PATIENCE_S, Composed, Login, composed, script
from tests.e2e.harness import until
from tests.json_schema import validator

pytestmark = pytest.mark.mosquitto
SCHEMA = json.loads(
    (Path(__file__).parents[1] / "cases" / "compose" / "compose-spec.json").read_text("utf-8")
)


@pytest.fixture(scope="module")
def made(mosquitto: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Composed]:
    with composed(tmp_path_factory.mktemp("compose") / "copy") as running:
        yield running


def test_the_compose_file_is_what_the_compose_specification_calls_one() -> None:
    specified = validator(SCHEMA)
    assert [error.message for error in specified.iter_errors(COMPOSE)] == []
    misspelt = {**COMPOSE, "services": {"api": {"image": "turnbell", "comand": ["api"]}}}
    assert list(specified.iter_errors(misspelt)), "a check that cannot fail is none"


def test_every_secret_that_the_file_names_is_made_and_the_authoritys_key_is_nobody_elses(
    made: Composed,
) -> None:
    for name in COMPOSE["secrets"]:
        assert made.secret(name).stat().st_size > 0
    assert stat.S_IMODE((made.folder / "secrets").stat().st_mode) == 0o700
    assert stat.S_IMODE((made.folder / "secrets" / "ca.key").stat().st_mode) == 0o600


def test_secrets_that_are_there_are_not_made_anew(made: Composed) -> None:
    before = made.secret("registry_password").read_bytes()
    again = subprocess.run(
        [str(made.folder / "make-secrets.sh")], capture_output=True, text=True, check=False, timeout=60
    )
    assert again.returncode == 1
    assert "there are secrets already" in again.stdout
    assert made.secret("registry_password").read_bytes() == before


def test_nobody_comes_in_without_a_password(made: Composed) -> None:
    for login in (None, Login("turnbell.ingest", "guessed")):
        assert _refused(made, login)


def test_a_probe_is_let_in_after_a_reload_and_heard_on_its_own_topics_alone(made: Composed) -> None:
    login = made.enrol("larkfield", "P-01")
    made.reload()
    heard: list[str] = []
    ingester = made.client(
        Login(INGEST_USER, made.secret("mqtt_password").read_text("utf-8")), "turnbell-ingest-0"
    )
    ingester.on_message = lambda _c, _d, message: heard.append(message.topic)
    subscribed = threading.Event()
    ingester.on_subscribe = lambda *_: subscribed.set()
    probe = made.client(login, "probe")
    with _looping(ingester, made.port):
        ingester.subscribe("turnbell/+/+/readings", 1)
        assert subscribed.wait(PATIENCE_S)
        with _looping(probe, made.port):
            for topic in ("turnbell/larkfield/P-02/readings", "turnbell/larkfield/P-01/readings"):
                probe.publish(topic, '{"celsius":{"45":61.9}}', 1).wait_for_publish(PATIENCE_S)
            until(lambda: "turnbell/larkfield/P-01/readings" in heard, PATIENCE_S, "the probe's own reading")
    assert heard == ["turnbell/larkfield/P-01/readings"]


def test_enrolling_again_ends_the_password_of_before(made: Composed) -> None:
    old = made.enrol("larkfield", "P-07")
    made.enrol("larkfield", "P-07")
    made.reload()
    assert _refused(made, old)
    rights = made.secret("mqtt_acl").read_text("utf-8")
    assert rights.count("user larkfield.P-07\n") == 1


@pytest.mark.parametrize(
    "arguments", [(), ("larkfield",), ("lark field", "P-01"), ("larkfield", "#"), ("", "P-01")]
)
def test_a_slip_at_enrolling_is_said_and_changes_nothing(made: Composed, arguments: tuple[str, ...]) -> None:
    before = made.secret("mqtt_passwords").read_bytes(), made.secret("mqtt_acl").read_bytes()
    with pytest.raises(AssertionError, match=r"say \./probe\.sh SITE PROBE|a name is letters"):
        script(made.folder, "probe.sh", *arguments)
    assert (made.secret("mqtt_passwords").read_bytes(), made.secret("mqtt_acl").read_bytes()) == before


def test_enrolling_before_there_are_secrets_says_what_makes_them(tmp_path: Path) -> None:
    copy = tmp_path / "probe.sh"
    copy.write_bytes((FOLDER / "probe.sh").read_bytes())
    copy.chmod(0o755)
    with pytest.raises(AssertionError, match=r"make-secrets\.sh makes them"):
        script(tmp_path, "probe.sh", "larkfield", "P-01")


class _looping:  # noqa: N801 - reads as a word in a with
    """Connected while the block runs."""

    def __init__(self, client: mqtt.Client, port: int) -> None:
        self._client, self._port = client, port

    def __enter__(self) -> None:
        let_in = threading.Event()
        self._client.on_connect = lambda _c, _d, _f, reason, _p: None if reason.is_failure else let_in.set()
        self._client.connect("localhost", self._port)
        self._client.loop_start()
        assert let_in.wait(PATIENCE_S)

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _refused(made: Composed, login: Login | None) -> bool:
    client = made.client(login, "stranger")
    answers: list[bool] = []
    client.on_connect = lambda _c, _d, _f, reason, _p: answers.append(reason.is_failure)
    client.connect("localhost", made.port)
    until(
        lambda: answers or client.loop(1.0) != MQTTErrorCode.MQTT_ERR_SUCCESS, PATIENCE_S, "the broker's word"
    )
    client.disconnect()
    return answers == [True]
