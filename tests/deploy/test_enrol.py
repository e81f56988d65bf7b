"""Credentials of probes, against a real mosquitto."""

from __future__ import annotations

import os
import socket
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from deploy.enrol import enrol, revoke, rotate
from deploy.errors import UserError
from ingest import hearing
from ingest.broker import EmbeddedBroker
from ingest.broker_files import INGEST_USER, password_fits
from ingest.pace import Pace
from ingest.pipeline import IngestLoop
from ingest.session import BrokerAway
from shared.piles import Site
from shared.ports import Registry
from shared.settings import Settings, SettingsError
from shared.stores import open_readings, open_registry
from shared.times import SystemClock
from tests.ingest.brokers import running, wait_for
from tests.ports import free_port

CLOCK = SystemClock()
FILES = Path(__file__).parents[2] / "deploy" / "files" / "mosquitto"
PAYLOAD = '{"celsius":{"45":61}}'


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    yield registry
    registry.close()


class Client:
    """A probe that says what became of its connection and its messages."""

    def __init__(
        self, port: int, username: str, password: str, *, ca: Path | None = None, host: str = "127.0.0.1"
    ) -> None:
        self.answer = ""
        self.closed = Event()
        self._connected = Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.username_pw_set(username, password)
        if ca is not None:
            self.client.tls_set(ca_certs=str(ca))
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.connect(host, port)
        self.client.loop_start()
        assert self._connected.wait(10)

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        self.answer = str(reason)
        self._connected.set()

    def _on_disconnect(self, *_: Any) -> None:
        self.closed.set()

    def publish(self, topic: str) -> str:
        """The broker's reason code."""
        reasons: list[str] = []
        self.client.on_publish = lambda _client, _data, _mid, reason, _more: reasons.append(str(reason))
        self.client.publish(topic, PAYLOAD, 1)
        wait_for(lambda: reasons, 10)
        return reasons[0]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.mark.mosquitto
def test_a_probe_may_publish_under_its_own_topic_and_nobody_elses(
    mosquitto: str, registry: Registry, tmp_path: Path
) -> None:
    mine = enrol(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    other = enrol(registry, tmp_path, "K-02", "larkfield", CLOCK.now())
    broker = EmbeddedBroker(tmp_path, "0.0.0.0", free_port())
    broker.start()
    readings = open_readings(tmp_path / "readings.db")
    settings = broker.seen_by(Settings())
    loop = IngestLoop(readings, registry, settings, CLOCK, broker.host, broker.port)
    try:
        with running(loop):
            probe = Client(broker.port, mine.username, mine.password)
            assert probe.answer == "Success"
            assert probe.publish("turnbell/larkfield/K-01/readings") == "Success"
            assert probe.publish("turnbell/larkfield/K-02/readings") == "Not authorized"
            assert probe.publish("turnbell/other/K-01/readings") == "Not authorized"
            wait_for(lambda: readings.count() == 1, 10)

            wrong = Client(broker.port, mine.username, other.password)
            assert wrong.answer == "Not authorized"
            stranger = Client(broker.port, "stranger", "stranger")
            assert stranger.answer == "Not authorized"

            turned = rotate(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
            assert turned.username == mine.username
            wait_for(probe.closed.is_set, 10, "the connection with the old password was closed")
            wait_for(lambda: Client(broker.port, turned.username, turned.password).answer == "Success", 10)
            assert Client(broker.port, mine.username, mine.password).answer == "Not authorized"

            second = Client(broker.port, other.username, other.password)
            assert revoke(registry, tmp_path, "K-02", "larkfield", CLOCK.now()) == other.username
            wait_for(second.closed.is_set, 10, "the revoked probe was put out")
            assert Client(broker.port, other.username, other.password).answer == "Not authorized"
            assert loop.connected, "the ingester's own login outlives every change"
            for client in (probe, wrong, stranger, second):
                client.close()
    finally:
        broker.stop()
        readings.close()


def test_a_password_is_kept_only_as_a_hash(registry: Registry, tmp_path: Path) -> None:
    credential = enrol(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    ((site, probe, username, hashed),) = registry.access.credentials()
    assert (site, probe, username) == ("larkfield", "K-01", "larkfield.K-01")
    assert password_fits(credential.password, hashed)
    assert not password_fits("other", hashed)
    for file in (tmp_path / "broker").iterdir():
        assert credential.password not in file.read_text("utf-8")
        assert file.stat().st_mode & 0o077 == 0


def test_a_user_of_your_own_keeps_its_line(registry: Registry, tmp_path: Path) -> None:
    enrol(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    passwords = tmp_path / "broker" / "passwords"
    passwords.write_text(passwords.read_text("utf-8") + "turnbell.ingest:$7$mine\n", "utf-8")
    enrol(registry, tmp_path, "K-02", "larkfield", CLOCK.now())
    revoke(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    users = [line.partition(":")[0] for line in passwords.read_text("utf-8").splitlines()]
    assert users == ["turnbell.ingest", "larkfield.K-02"]


def test_the_site_may_be_left_out_only_when_it_is_clear(registry: Registry, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no site yet"):
        enrol(registry, tmp_path, "K-01", None, CLOCK.now())
    registry.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
    assert enrol(registry, tmp_path, "K-01", None, CLOCK.now()).site == "larkfield"
    registry.sites.add(Site("upfield", "Upfield", "Europe/Dublin"))
    with pytest.raises(UserError, match="larkfield, upfield"):
        enrol(registry, tmp_path, "K-01", None, CLOCK.now())
    with pytest.raises(UserError, match="1-64"):
        enrol(registry, tmp_path, "K 01", "larkfield", CLOCK.now())
    with pytest.raises(UserError, match="not enrolled"):
        revoke(registry, tmp_path, "K-09", "larkfield", CLOCK.now())


@pytest.mark.mosquitto
def test_an_address_beyond_loopback_without_credentials_is_refused(mosquitto: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="probe enrol"):
        EmbeddedBroker(tmp_path, "0.0.0.0", 0)


def test_an_address_beyond_loopback_without_mosquitto_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="only mosquitto can ask for passwords"):
        EmbeddedBroker(tmp_path, "0.0.0.0", 0, kind="pypi")


# -- the configuration for a broker of your own -----------------------------------------------------------------------


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    """A CA, a server certificate for localhost signed by it, and another CA that signed nothing."""
    folder = tmp_path / "certs"
    folder.mkdir()

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    for name in ("ca", "other"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
                "-keyout", f"{name}.key", "-out", f"{name}.crt")  # fmt: skip
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-keyout", "server.key",
            "-out", "server.csr")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    openssl("x509", "-req", "-in", "server.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", "names", "-out", "server.crt")  # fmt: skip
    return folder


@pytest.mark.mosquitto
def test_the_shipped_configuration_speaks_tls_and_a_wrong_certificate_is_refused(
    mosquitto: str, registry: Registry, tmp_path: Path, certificates: Path
) -> None:
    probe = enrol(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    subprocess.run(
        ["mosquitto_passwd", "-b", str(tmp_path / "broker" / "passwords"), "turnbell.ingest", "secret"],
        check=True,
    )
    port = free_port()
    (tmp_path / "queue").mkdir()
    text = (FILES / "turnbell.conf").read_text("utf-8")
    for shipped, here in (
        ("/etc/mosquitto/certs", str(certificates)),
        ("/var/lib/turnbell/broker", str(tmp_path / "broker")),
        ("/var/lib/mosquitto/", f"{tmp_path / 'queue'}/"),
        ("listener 8883", f"user root\nlistener {port} 127.0.0.1"),
    ):
        assert shipped in text
        text = text.replace(shipped, here)
    config = tmp_path / "turnbell.conf"
    config.write_text(text, "utf-8")
    child = subprocess.Popen([mosquitto, "-c", str(config)], stderr=subprocess.DEVNULL)
    readings = open_readings(tmp_path / "readings.db")

    def loop_with(ca: str, **more: Any) -> IngestLoop:
        login = {"username": "turnbell.ingest", "password": "secret", "tls_ca": certificates / ca} | more
        settings = Settings.model_validate({"mqtt": login})
        return IngestLoop(readings, registry, settings, CLOCK, "localhost", port)

    try:
        with running(loop_with("ca.crt")):
            sender = Client(
                port, probe.username, probe.password, ca=certificates / "ca.crt", host="localhost"
            )
            assert sender.publish("turnbell/larkfield/K-01/readings") == "Success"
            assert sender.publish("turnbell/larkfield/K-02/readings") == "Not authorized"
            wait_for(lambda: readings.count() == 1, 10)
            sender.close()
        wrong = ssl.create_default_context(cafile=certificates / "other.crt")
        with (
            socket.create_connection(("127.0.0.1", port)) as plain,
            pytest.raises(ssl.SSLCertVerificationError),
        ):
            wrong.wrap_socket(plain, server_hostname="localhost")
        assert _why_away(loop_with("other.crt")).startswith("SSLCertVerificationError")
        assert "Not authorized" in _why_away(loop_with("ca.crt", password="wrong"))
    finally:
        child.terminate()
        child.wait(10)
        readings.close()


def _why_away(loop: IngestLoop) -> str:
    with pytest.raises(BrokerAway) as caught:
        loop._subscriber.connect()
    return str(caught.value)


@pytest.mark.mosquitto
@pytest.mark.parametrize(
    ("rights", "said"),
    [
        ("topic read $SYS/#", hearing.NOTHING),
        ("topic write turnbell/.ingest/#", hearing.NOTHING),
        ("topic read turnbell/#", hearing.NO_ECHO),
        ("topic read turnbell/#\ntopic write turnbell/.ingest/#", hearing.HEARS),
    ],
)
def test_a_broker_that_lets_nothing_through_is_found_out(
    mosquitto: str, registry: Registry, tmp_path: Path, rights: str, said: str
) -> None:
    """mosquitto 2.0.11 grants the subscription all the same, and then delivers nothing."""
    probe = enrol(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    broker = EmbeddedBroker(tmp_path, "0.0.0.0", free_port())
    acl = tmp_path / "broker" / "acl"
    acl.write_text(f"user {INGEST_USER}\n{rights}\n\nuser {probe.username}\ntopic readwrite turnbell/#\n")
    broker.start()
    readings = open_readings(tmp_path / "readings.db")
    settings = broker.seen_by(Settings())
    pace = Pace(first_echo_s=2.0)
    loop = IngestLoop(readings, registry, settings, CLOCK, broker.host, broker.port, pace=pace)
    try:
        with running(loop):
            sender = Client(broker.port, probe.username, probe.password)
            sender.publish("turnbell/larkfield/K-01/readings")
            wait_for(lambda: registry.memory.get(hearing.NAME) == said, 30, "it was noticed and noted")
            sender.close()
    finally:
        broker.stop()
        readings.close()


def test_a_broker_under_an_account_of_its_own_can_read_the_files_whatever_the_umask(
    registry: Registry, tmp_path: Path
) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    folder.chmod(0o2750)
    before = os.umask(0o077)
    try:
        enrol(registry, tmp_path, "P-01", "larkfield", CLOCK.now())
    finally:
        os.umask(before)
    assert {oct(file.stat().st_mode & 0o777) for file in folder.iterdir()} == {"0o640"}
