"""What must come out of the registry again as it went in is sealed there, with a key that stands elsewhere."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from deploy.backup import restore
from deploy.cli import run
from deploy.doctor import examine
from deploy.house import opened_house
from deploy.registry_key import KEY_FILE, LostKey, registry_key
from shared.accounts import Account
from shared.people import Channel, Person
from shared.ports import Registry, StorageError
from shared.settings import Settings
from shared.stores import WrongKey, open_registry
from shared.times import Millis

SECRETS = ("JBSWY3DPEHPK3PXP", "hook-s3cret", "hooks.example/tok3n", "push://k3y@example", "changed-s3cret")
KEY = "a key of one's own, long enough to be one"
WITH_KEY = Settings.model_validate({"registry": {"key": KEY}})


def fill(registry: Registry) -> None:
    registry.accounts.add(Account("a1", "ines", "Ines", Millis(1), "manager", totp_secret=SECRETS[0]))
    registry.people.add(Person("p1", "Ines", "UTC"))
    registry.people.add_channel(Channel("c1", "p1", "webhook", f"https://{SECRETS[2]}", SECRETS[1]))
    registry.people.add_channel(Channel("c2", "p1", "url", SECRETS[3]))
    registry.people.add_channel(Channel("c3", "p1", "email", "ines@example.org"))


def told(registry: Registry) -> list[object]:
    return [registry.accounts.get("a1"), registry.accounts.all(), registry.people.channels()]


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    data = tmp_path / "yard"
    with opened_house(data, Settings(), create=True) as house:
        fill(house.registry)
    return data


def plain_in(data: Path) -> list[str]:
    raw = b"".join(file.read_bytes() for file in data.glob("registry.db*"))
    assert b"ines@example.org" in raw
    return [secret for secret in SECRETS if secret.encode() in raw]


def test_no_secret_stands_in_the_file_as_it_is(yard: Path) -> None:
    assert plain_in(yard) == []
    assert (yard / KEY_FILE).stat().st_mode & 0o077 == 0
    with opened_house(yard, Settings()) as house:
        people = house.registry.people
        assert house.registry.accounts.by_login("ines") == house.registry.accounts.get("a1")
        assert house.registry.accounts.get("a1").totp_secret == SECRETS[0]
        assert [one.target for one in people.channels("p1")][:2] == [f"https://{SECRETS[2]}", SECRETS[3]]
        assert people.change_channel("c1", secret=SECRETS[4]).secret == SECRETS[4]
        assert people.change_channel("c1", disabled_at=Millis(5)).secret == SECRETS[4]
        assert people.channel("c1").secret == SECRETS[4]
        assert house.registry.accounts.change("a1", totp_secret=None).totp_secret is None
    assert plain_in(yard) == []


def test_a_registry_from_before_is_sealed_when_it_is_opened(tmp_path: Path) -> None:
    older = open_registry(tmp_path / "registry.db")
    fill(older)
    before = told(older)
    older.close()
    assert set(plain_in(tmp_path)) == set(SECRETS[:4])
    with opened_house(tmp_path, Settings()) as house:
        assert told(house.registry) == before
    assert plain_in(tmp_path) == []


def test_without_its_key_nothing_is_given_out(yard: Path) -> None:
    bare = open_registry(yard / "registry.db")
    assert bare.people.get("p1").name == "Ines"
    with pytest.raises(WrongKey):
        bare.accounts.get("a1")
    with pytest.raises(StorageError):
        bare.people.channels()
    bare.close()


@pytest.mark.parametrize("here", ["", "another key that does not fit this registry\n"])
def test_another_key_or_none_is_said_and_changes_nothing(
    yard: Path, here: str, capsys: pytest.CaptureFixture[str]
) -> None:
    key = yard / KEY_FILE
    kept = key.read_text()
    key.unlink()
    if here:
        key.write_text(here)
    assert run(["account", "list", "--data", str(yard)]) == 2
    assert "forget-secrets" in capsys.readouterr().err
    assert key.exists() == bool(here)
    key.write_text(kept)
    with opened_house(yard, Settings()) as house:
        assert house.registry.accounts.get("a1").totp_secret == SECRETS[0]


def test_a_lost_key_costs_the_secrets_and_nothing_else(
    yard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["forget-secrets", "--data", str(yard)]) == 2
    assert "nothing was given up" in capsys.readouterr().err
    (yard / KEY_FILE).unlink()
    assert run(["forget-secrets", "--data", str(yard)]) == 0
    assert "1 second factors, 2 channels given up" in capsys.readouterr().out
    with opened_house(yard, Settings()) as house:
        account = house.registry.accounts.get("a1")
        assert (account.role, account.totp_secret, account.recovery) == ("manager", None, ())
        ways = house.registry.people.channels()
        assert [(one.target, one.disabled_at is None) for one in ways] == [
            ("", False), ("", False), ("ines@example.org", True),
        ]  # fmt: skip


def test_a_backup_brings_the_key_along_and_says_so(
    yard: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["backup", str(tmp_path / "b"), "--data", str(yard)]) == 0
    assert "key of its secrets is in it" in capsys.readouterr().out
    restore(tmp_path / "b", tmp_path / "again")
    assert (tmp_path / "again" / KEY_FILE).stat().st_mode & 0o077 == 0
    with opened_house(yard, Settings()) as old, opened_house(tmp_path / "again", Settings()) as new:
        assert told(new.registry) == told(old.registry)


def test_a_key_from_the_configuration_stays_out_of_the_backup(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "yard"
    with opened_house(data, WITH_KEY, create=True) as house:
        fill(house.registry)
        before = told(house.registry)
    assert not (data / KEY_FILE).exists()
    monkeypatch.setenv("TURNBELL_REGISTRY_KEY", KEY)
    assert run(["backup", str(tmp_path / "b"), "--data", str(data)]) == 0
    assert "is not in it" in capsys.readouterr().out
    restore(tmp_path / "b", tmp_path / "again")
    with pytest.raises(LostKey), opened_house(tmp_path / "again", Settings()):
        pass
    with opened_house(tmp_path / "again", WITH_KEY) as house:
        assert told(house.registry) == before


def test_a_registry_that_is_shared_gets_no_key_by_itself(tmp_path: Path) -> None:
    """Each machine would make its own."""
    address = f"sqlite:///{tmp_path / 'shared.db'}"
    alone = Settings.model_validate({"registry": {"url": address}})
    with opened_house(tmp_path / "one", alone, create=True) as house:
        fill(house.registry)
        before = told(house.registry)
        assert any("key_file" in one.text for one in examine(house, None) if one.verdict == "warn")
    assert not (tmp_path / "one" / KEY_FILE).exists()
    keyed = Settings.model_validate({"registry": {"url": address, "key": KEY}})
    with opened_house(tmp_path / "two", keyed, create=True) as house:
        assert told(house.registry) == before
    with pytest.raises(LostKey), opened_house(tmp_path / "one", alone):
        pass


def test_two_that_start_at_once_use_one_key(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        made = set(pool.map(lambda _: registry_key(tmp_path, Settings(), False), range(32)))
    assert len(made) == 1
    assert [file.name for file in tmp_path.iterdir()] == [KEY_FILE]
