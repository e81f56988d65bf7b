"""A yard of long ago, a thinned one and the zip of its site, each made once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from deploy.cli import run
from deploy.thinning import thin
from shared.people import Channel, Person, Subscription
from shared.piles import FieldNote
from shared.readings import Reading, SensorKey
from shared.times import HOUR, Millis
from tests.keeping.aged_yard import BUILT, NOW, fill, opened
from tests.keeping.site_made import RULE


@pytest.fixture(scope="session")
def aged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = tmp_path_factory.mktemp("aged") / "data"
    with opened(data) as house:
        fill(house)
    return data


@pytest.fixture
def data(aged: Path, tmp_path: Path) -> Path:
    return shutil.copytree(aged, tmp_path / "data")


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory, aged: Path) -> Path:
    """A folder with a data directory, thinned, and the zip of its site."""
    folder = tmp_path_factory.mktemp("site")
    data = shutil.copytree(aged, folder / "data")
    (data / "rules").mkdir()
    (data / "rules" / "two-hot-days.toml").write_text(RULE)
    with opened(data) as house:
        registry = house.registry
        registry.piles.change(
            "open", rule_ids=("two-hot-days",), mix={"feedstocks": [{"name": "straw", "mass_kg": 0.1}]}
        )
        registry.piles.add_note(
            FieldNote("pic", "old", "photo", Millis(BUILT + HOUR), '=steam, "hot"\nand é')
        )
        registry.piles.save_photo("pic", b"\xff\xd8\xff no picture")
        registry.probes.heard("yard", "P1", NOW, {"battery_percent": 81.5, "repeats": 2})
        registry.people.add(Person("ann", "Ann", "Europe/Dublin", escalate_to=None))
        registry.people.add_channel(
            Channel("c", "ann", "webhook", "https://ann@example.org/", secret="hook-secret")
        )
        registry.people.subscribe(Subscription("s", "ann", "yard"))
        registry.memory.set("link.key", "s3cret")
        registry.memory.set("feedstock.my straw", '{"name":"my straw"}')
        thin(house)
        house.readings.append([Reading(SensorKey("yard", "tiny", ""), BUILT, 0.1, NOW)])
    assert run(["site", "export", "yard", str(folder / "yard.zip"), "--data", str(data)]) == 0
    return folder


@pytest.fixture
def file(made: Path) -> Path:
    return made / "yard.zip"
