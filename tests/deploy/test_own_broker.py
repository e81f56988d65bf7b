"""The configuration for a broker of your own, in a real mosquitto: TLS, and rights that let nothing through."""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from deploy.enrol import enrol
from ingest import hearing
from ingest.broker import EmbeddedBroker
from ingest.broker_files import INGEST_USER
from ingest.pace import Pace
from ingest.pipeline import IngestLoop
from ingest.session import BrokerAway
from shared.ports import Registry
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import SystemClock
from tests.deploy.broker_client import Client
from tests.ingest.brokers import running, wait_for
from tests.ports import free_port

CLOCK = SystemClock()
FILES = Path(__file__).parents[2] / "deploy" / "files" / "mosquitto"


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    yield registry
    registry.close()


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
