"""What a site holds, another yard to bring it into, and a zip with one part of it changed."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from api.document_hash import data_hash
from deploy.house import House
from shared.people import Person
from shared.piles import Pile, Site
from shared.readings import Reading, SensorKey
from tests.keeping.aged_yard import BUILT, EVER, NOW, opened

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
