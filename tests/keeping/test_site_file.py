"""A site goes out into open files and in again elsewhere: every report the same, or nothing at all."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from deploy.cli import run
from deploy.house import House
from shared import site_import
from shared.people import Person, Subscription
from shared.piles import Pile, Site
from shared.readings import Reading, SensorKey
from tests.keeping.aged_yard import BUILT, NOW, opened
from tests.keeping.site_made import RULE, everything, other_yard, told

SECRETS = ("ann@example.org", "hook-secret", "s3cret")


@pytest.mark.parametrize("where", ["empty", "beside another site"])
def test_every_report_is_the_same_there_to_the_last_digit(
    made: Path, file: Path, tmp_path: Path, where: str
) -> None:
    new = tmp_path / "new"
    if where != "empty":
        other_yard(new)
    assert run(["site", "import", str(file), "--data", str(new)]) == 0
    with opened(made / "data") as there, opened(new) as here:
        before, after = told(there), told(here)
        if where == "empty":
            assert after == before
        else:
            assert {k: v for k, v in after.items() if k != "facts"} == {
                k: v for k, v in before.items() if k != "facts"
            }
            assert here.registry.piles.get("hp").peg == "K-01"
            assert here.registry.people.get("ann").zone == "UTC"
        assert here.registry.audit.latest(limit=1)[0].deed.act == "sites.import"
        assert "two-hot-days" in here.book.report("open", NOW).rules[0].id


def test_there_is_no_secret_in_it_and_every_part_is_plain(file: Path) -> None:
    with zipfile.ZipFile(file) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    assert {name.rsplit(".", 1)[1] for name in parts} == {"json", "csv", "jpg", "toml"}
    for content in parts.values():
        assert not any(secret.encode() in content for secret in SECRETS)
    assert parts["readings/P1.csv"].startswith(b"time,depth,quantity,value,mark\n2024-02-29T")
    assert json.loads(parts["site.json"])["piles"][0]["built_at"].endswith("Z")


def test_that_a_site_was_taken_along_stands_in_the_audit_log(made: Path, file: Path) -> None:
    with opened(made / "data") as house:
        deeds = [entry.deed for entry in house.registry.audit.entries()]
    (deed,) = [one for one in deeds if one.act == "sites.export"]
    assert (deed.by, deed.what, deed.site) == ("command line", "yard", "yard")
    with zipfile.ZipFile(file) as packed:
        lines = sum(packed.read(name).count(b"\n") - 1 for name in packed.namelist() if name.endswith(".csv"))
    assert deed.detail == {"readings": lines}


def test_nobody_is_in_it_who_is_not_told_of_the_site(tmp_path: Path) -> None:
    with opened(tmp_path / "data") as house:
        house.registry.sites.add(Site("hill", "Upper Hill", "UTC"))
        house.registry.sites.add(Site("dale", "Lower Dale", "UTC"))
        for name, onto in (("bea", None), ("ann", "bea"), ("cai", None), ("dot", None), ("eve", None)):
            house.registry.people.add(Person(name, name.title(), "UTC", escalate_to=onto))
        for name, site in (("ann", "hill"), ("cai", None), ("dot", "dale")):
            house.registry.people.subscribe(Subscription(name, name, site))
    zipped = tmp_path / "hill.zip"
    assert run(["site", "export", "hill", str(zipped), "--data", str(tmp_path / "data")]) == 0
    with zipfile.ZipFile(zipped) as packed:
        facts = json.loads(packed.read("site.json"))
    assert {person["name"] for person in facts["people"]} == {"Ann", "Bea", "Cai"}


def test_the_same_site_twice_is_refused(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "new"
    assert run(["site", "import", str(file), "--data", str(new)]) == 0
    before = everything(new)
    capsys.readouterr()
    assert run(["site", "import", str(file), "--data", str(new)]) == 2
    assert "there is a site yard here already; nothing was brought" in capsys.readouterr().err
    assert everything(new) == before


@pytest.mark.parametrize(
    ("clash", "words"),
    [
        (
            lambda house: house.registry.piles.add(Pile("old", "hill", "H-9", BUILT)),
            "a pile old here already: H-9 of hill",
        ),
        (lambda house: house.registry.people.add(Person("bob", "Bob", "UTC")), ""),
        (
            lambda house: house.registry.people.change("ann", name="Another Ann"),
            "ann is Another Ann here and Ann in the file",
        ),
        (
            lambda house: house.readings.append([Reading(SensorKey("yard", "tiny", ""), BUILT, 11.5, NOW)]),
            "probe tiny of yard has sent another reading here for",
        ),
        (lambda house: own_rule(house, RULE + "\n# mine\n"), "rules/two-hot-days.toml differs"),
    ],
    ids=["pile", "none", "person", "reading", "rule"],
)
def test_a_clash_is_named_and_nothing_is_brought(
    file: Path,
    tmp_path: Path,
    clash: Callable[[House], object],
    words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    new = tmp_path / "new"
    other_yard(new)
    with opened(new) as house:
        clash(house)
    before = everything(new)
    assert run(["site", "import", str(file), "--data", str(new)]) == (2 if words else 0)
    if words:
        assert words in capsys.readouterr().err
        assert everything(new) == before


def own_rule(house: House, text: str) -> None:
    (house.data_dir / "rules").mkdir()
    (house.data_dir / "rules" / "two-hot-days.toml").write_text(text)


def test_one_that_was_cut_off_is_simply_done_again(made: Path, file: Path, tmp_path: Path) -> None:
    new = tmp_path / "new"

    class Cut(Exception):
        pass

    def cut(count: int) -> None:
        if count > 8_000:
            raise Cut

    with opened(new) as house:
        with pytest.raises(Cut):
            site_import.bring_site(file, house.registry, house.readings, new, NOW, cut)
        assert house.readings.count() > 0
        assert house.registry.sites.all() == []
    assert run(["site", "import", str(file), "--data", str(new)]) == 0
    with opened(made / "data") as there, opened(new) as here:
        assert told(here) == told(there)


def test_a_site_that_is_not_there_and_a_file_that_is(
    made: Path, file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = str(made / "data")
    assert run(["site", "export", "none", str(tmp_path / "x.zip"), "--data", data]) == 2
    assert "no site none" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    before = file.read_bytes()
    assert run(["site", "export", "yard", str(file), "--data", data]) == 2
    assert file.read_bytes() == before
