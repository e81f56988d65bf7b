"""Credentials of probes, against a real mosquitto."""

from __future__ import annotations

import hashlib
import os
from base64 import b64decode
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.enrol import enrol, revoke, rotate
from deploy.errors import UserError
from ingest.broker import EmbeddedBroker
from ingest.pipeline import IngestLoop
from shared.piles import Site
from shared.ports import Registry
from shared.settings import Settings, SettingsError
from shared.stores import open_readings, open_registry
from shared.times import SystemClock
from tests.deploy.broker_client import Client
from tests.ingest.brokers import running, wait_for
from tests.ports import free_port

CLOCK = SystemClock()


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    yield registry
    registry.close()


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


def fits(password: str, hashed: str) -> bool:
    """As mosquitto reads its password file."""
    _, _, rounds, salt, digest = hashed.split("$")
    again = hashlib.pbkdf2_hmac("sha512", password.encode(), b64decode(salt), int(rounds))
    return again == b64decode(digest)


def test_a_password_is_kept_only_as_a_hash(registry: Registry, tmp_path: Path) -> None:
    credential = enrol(registry, tmp_path, "K-01", "larkfield", CLOCK.now())
    ((site, probe, username, hashed),) = registry.access.credentials()
    assert (site, probe, username) == ("larkfield", "K-01", "larkfield.K-01")
    assert fits(credential.password, hashed)
    assert not fits("other", hashed)
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
