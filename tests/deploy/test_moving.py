"""A registry moves to PostgreSQL and a backup of it comes back as files, with every row."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.backup import backup, restore
from deploy.cli import run
from deploy.house import opened_house
from deploy.registry_key import LostKey
from shared.ports import Conflict, Registry
from shared.settings import Settings
from shared.stores import open_line_readings, open_readings, open_registry, parse_address
from shared.stores.copying import copy_registry, copy_spool
from shared.times import Millis
from tests.contracts.postgresql import Server
from tests.contracts.readings_made import CORE, EVER, reading
from tests.contracts.registry_made import episode, furnished, notice
from tests.deploy import test_sealed_secrets as sealed_secrets


def fill(registry: Registry) -> None:
    furnished(registry)
    registry.episodes.put(episode("e1", figures={"load": 1.25}))
    registry.notices.put(notice("n1"))
    registry.memory.set("secret", "kept")
    for number in range(3):
        registry.quarantine.put(Millis(number), "t", "why", bytes([number, 0, 255]))


def told(registry: Registry) -> list[object]:
    return [
        registry.sites.all(),
        registry.piles.all(),
        registry.people.all(),
        registry.people.channels(),
        registry.episodes.all(),
        registry.notices.all(),
        registry.memory.names(""),
        registry.quarantine.all(),
    ]


def test_the_registry_moves_to_postgresql_and_goes_on_counting_there(
    postgresql: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = open_registry(tmp_path / "registry.db")
    fill(source)
    target = postgresql.fresh()
    assert run(["move", target, "--data", str(tmp_path)]) == 0
    assert "rows of" in capsys.readouterr().out
    moved = open_registry(target)
    assert told(moved) == told(source)
    moved.quarantine.put(Millis(9), "t", "after the move", b"")
    assert [row.id for row in moved.quarantine.all()] == [4, 3, 2, 1]
    moved.close()
    source.close()
    with pytest.raises(Conflict, match="holds something already"):
        copy_registry(tmp_path / "registry.db", target)


def test_sealed_secrets_move_along_and_come_back(
    postgresql: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url, data = postgresql.fresh(), tmp_path / "yard"
    with opened_house(data, Settings(), create=True) as house:
        sealed_secrets.fill(house.registry)
        before = sealed_secrets.told(house.registry)
    assert run(["move", url, "--data", str(data)]) == 0
    assert "give every other machine the key" in capsys.readouterr().out
    there = Settings.model_validate({"registry": {"url": url}})
    with opened_house(data, there) as house:
        assert sealed_secrets.told(house.registry) == before
    with pytest.raises(LostKey), opened_house(tmp_path / "another machine", there, create=True):
        pass
    assert backup(data, tmp_path / "yard.backup", there)
    restore(tmp_path / "yard.backup", tmp_path / "again")
    with opened_house(tmp_path / "again", Settings()) as house:
        assert sealed_secrets.told(house.registry) == before


def test_a_backup_of_a_service_on_postgresql_restores_as_files(postgresql: Server, tmp_path: Path) -> None:
    url, data = postgresql.fresh(), tmp_path / "yard"
    data.mkdir()
    registry = open_registry(url)
    fill(registry)
    open_readings(data / "readings.db").close()
    backup(data, tmp_path / "yard.backup", Settings.model_validate({"registry": {"url": url}}))
    restore(tmp_path / "yard.backup", tmp_path / "again")
    restored = open_registry(tmp_path / "again" / "registry.db")
    assert told(restored) == told(registry)
    restored.close()
    registry.close()


def test_a_spool_is_part_of_the_backup_wherever_it_stands(postgresql: Server, tmp_path: Path) -> None:
    url, data = postgresql.fresh(), tmp_path / "yard"
    data.mkdir()
    open_registry(url).close()
    far = "victoria://127.0.0.1:9"
    spooled = open_line_readings(parse_address(far), url)
    spooled.append([reading(1000, 61.900000000000006)])
    spooled.close()
    settings = Settings.model_validate({"registry": {"url": url}, "readings": {"url": far, "spool": url}})
    backup(data, tmp_path / "yard.backup", settings)
    restore(tmp_path / "yard.backup", tmp_path / "again")
    back = postgresql.fresh()
    copy_spool(tmp_path / "again" / "spool.db", back)
    for where in (tmp_path / "again" / "spool.db", back):
        store = open_line_readings(parse_address(far), where)
        assert store.read(CORE, EVER).value.tolist() == [61.900000000000006]
        assert store.count() == 1
        store.close()
