"""A site goes out into open files and in again elsewhere: every report the same, or nothing at all."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from api.document_hash import data_hash
from deploy.assembly import House
from deploy.cli import run
from deploy.thinning import thin
from shared import site_import
from shared.people import Channel, Person
from shared.piles import FieldNote, Pile, Site
from shared.readings import Reading, SensorKey
from shared.times import HOUR, Millis
from tests.keeping.aged_yard import BUILT, EVER, NOW, fill, opened

RULE = """id = "two-hot-days"
title = "Two days at 60 °C"
edition = "written 2026-11"
source = "an example, no source"
source_status = "common practice"
zone = "core"
sensor = "coldest"
contiguous = true

[[alternative]]
at_least_c = 60
days = 2
"""
SECRETS = ("ann@example.org", "hook-secret", "s3cret")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a data directory, thinned, and the zip of its site."""
    folder = tmp_path_factory.mktemp("site")
    data = folder / "data"
    data.mkdir()
    (data / "rules").mkdir()
    (data / "rules" / "two-hot-days.toml").write_text(RULE)
    with opened(data) as house:
        fill(house)
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
        registry.memory.set("link.key", "s3cret")
        registry.memory.set("feedstock.my straw", '{"name":"my straw"}')
        thin(house)
        house.readings.append([Reading(SensorKey("yard", "tiny", ""), BUILT, 0.1, NOW)])
    assert run(["site", "export", "yard", str(folder / "yard.zip"), "--data", str(data)]) == 0
    return folder


@pytest.fixture
def file(made: Path) -> Path:
    return made / "yard.zip"


def put_away(house: House) -> tuple[object, ...]:
    thinned = house.book.thinned("old")
    assert thinned is not None
    return thinned[0].model_copy(update={"gone_elsewhere": 0}), thinned[1]


def told(house: House) -> dict[str, object]:
    piles = house.registry.piles.all(site="yard")
    closed = [pile for pile in piles if pile.finished_at is not None]
    return {
        "closed": {id_: one.model_dump_json() for id_, one in house.book.closed_reports(closed).items()},
        "now": {pile.id: house.book.report(pile.id, NOW).model_dump_json() for pile in piles},
        "hash": {pile.id: data_hash(house.book.history(pile.id)) for pile in piles},
        "readings": {
            key: (curve.at.tolist(), curve.value.tolist(), curve.mark.tolist())
            for key, curve in house.readings.read_many(
                [one.sensor for one in house.readings.sensors("yard")], EVER
            ).items()
        },
        "facts": [
            house.registry.sites.get("yard"), piles, house.registry.piles.turns("old"), house.registry.piles.notes("old"),
            house.registry.probes.all("yard"), house.registry.probes.placements(site="yard"),
            house.registry.probes.calibrations("yard"), house.registry.piles.photo("pic"), house.registry.people.all(),
            house.registry.memory.get("feedstock.my straw"), *put_away(house),
        ],
    }  # fmt: skip


def everything(data: Path) -> tuple[object, ...]:
    with opened(data) as house:
        sites = house.registry.sites.all()
        return (
            sites, house.registry.piles.all(), house.registry.people.all(), house.readings.count(),
            house.registry.memory.names("put_away."), len(house.registry.audit.entries()),
            sorted(path.name for path in data.rglob("*.toml")),
        )  # fmt: skip


def other_yard(data: Path) -> None:
    with opened(data) as house:
        house.registry.sites.add(Site("hill", "Upper Hill", "UTC"))
        house.registry.piles.add(Pile("hp", "hill", "K-01", BUILT))
        house.registry.people.add(Person("ann", "Ann", "UTC"))
        house.readings.append([Reading(SensorKey("hill", "P1", "45"), BUILT, 50.0, BUILT)])


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


def remade(file: Path, to: Path, name: str, change: Callable[[bytes], bytes], *, sums: bool = True) -> Path:
    """The same zip with another part, its sum made right again unless not."""
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(to, "w") as new:
        parts = {one: old.read(one) for one in old.namelist()}
        parts[name] = change(parts[name])
        if name != "site.json" and sums:
            facts = json.loads(parts["site.json"])
            facts["parts"][name] = hashlib.sha256(parts[name]).hexdigest()
            parts["site.json"] = json.dumps(facts).encode()
        for one, content in parts.items():
            new.writestr(one, content)
    return to


def line(number: int, text: str) -> Callable[[bytes], bytes]:
    def change(content: bytes) -> bytes:
        lines = content.split(b"\n")
        lines[number - 1] = text.encode()
        return b"\n".join(lines)

    return change


def fact(path: str, value: Any) -> Callable[[bytes], bytes]:
    def change(content: bytes) -> bytes:
        facts = json.loads(content)
        *way, last = path.split(".")
        held = facts
        for step in way:
            held = held[int(step) if step.isdigit() else step]
        held[int(last) if last.isdigit() else last] = value
        return json.dumps(facts).encode()

    return change


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        ("readings/P1.csv", line(17, "2024-03-01T09:00:00Z,45,temperature,hot,0"), "readings/P1.csv, line 17: could not"),
        ("readings/P1.csv", line(18, "yesterday,45,temperature,50.0,0"), "readings/P1.csv, line 18: 'yesterday' is not"),
        ("readings/P1.csv", line(19, "2024-03-01T09:00:00Z,45,temperature,50.0"), "line 19: 5 cells are wanted, not 4"),
        ("readings/P1.csv", line(20, "2024-03-01T09:00:00Z,45,joy,50.0,0"), "line 20: no quantity is called 'joy'"),
        ("readings/P1.csv", line(21, "2024-03-01T09:00:00Z,45,temperature,nan,0"), "line 21: nan is no reading"),
        ("readings/P1.csv", line(22, "2024-03-01T09:00:00Z,45.0,temperature,50.0,0"), "line 22: depth '45.0'"),
        ("readings/P1.csv", line(1, "a,b"), "line 1: the columns time, depth"),
        ("site.json", line(3, "oops"), "site.json, line 3:"),
        ("site.json", fact("piles.0.built_at", "then"), "site.json, piles[0]: 'then' is not"),
        ("site.json", fact("piles.1.volume_l", "much"), "site.json, piles[1].volume_l:"),
        ("site.json", fact("turns.0.pile_id", "gone"), "turns[0]: there is no pile 'gone'"),
        ("site.json", fact("probes.0.site", "hill"), "probes[0]: it is of another site"),
        ("site.json", fact("placements.2.span", {"from": "2024-03-02T00:00:00Z", "to": None}), "P1"),
        ("site.json", fact("parts", {"../../evil.toml": "0"}), "is no part of a site"),
        ("site.json", fact("turnbell_site", 2), "newer version"),
        ("site.json", fact("people", "Ann"), "people: a list is wanted"),
    ],
)  # fmt: skip
def test_a_broken_file_is_refused_with_its_line_and_nothing_is_brought(
    file: Path,
    tmp_path: Path,
    name: str,
    change: Callable[[bytes], bytes],
    words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    new = tmp_path / "new"
    other_yard(new)
    before = everything(new)
    broken = remade(file, tmp_path / "broken.zip", name, change)
    assert run(["site", "import", str(broken), "--data", str(new)]) == 2
    err = capsys.readouterr().err
    assert words in err
    assert err.count("\n") == 1
    assert everything(new) == before


def test_what_was_changed_on_the_way_or_cut_short_is_refused(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "new"
    changed = remade(
        file, tmp_path / "a.zip", "readings/P1.csv", lambda one: one.replace(b"5", b"6", 1), sums=False
    )
    assert run(["site", "import", str(changed), "--data", str(new)]) == 2
    assert "readings/P1.csv is not what was written" in capsys.readouterr().err
    (tmp_path / "b.zip").write_bytes(file.read_bytes()[:-500])
    assert run(["site", "import", str(tmp_path / "b.zip"), "--data", str(new)]) == 2
    assert "no whole zip" in capsys.readouterr().err
    assert run(["site", "import", str(tmp_path / "none.zip"), "--data", str(new)]) == 2
    assert "no such file" in capsys.readouterr().err


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
