"""Stores as every earlier step of their tables left them: SQL dumps in ``tests/cases/old_stores``, which never change.

``python -m tests.keeping.old_stores`` writes those that are missing: after a new migration, one.
"""

from __future__ import annotations

import sqlite3
import tempfile
import warnings
from contextlib import closing
from pathlib import Path

import numpy as np
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, MetaData, create_engine, insert, select
from sqlalchemy.exc import SAWarning

from shared.accounts import Account
from shared.audit import Deed
from shared.people import Channel, Person, Subscription, Token
from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.ports import Registry
from shared.probes import Calibration, Probe
from shared.readings import ArrivalMark, Reading, SensorKey
from shared.stores import open_line_readings, open_readings, open_registry, parse_address, readings_schema
from shared.stores.migrations import upgrade as upgrading
from shared.stores.sqlite_files import READINGS_ID, REGISTRY_ID
from shared.times import DAY, HOUR, MINUTE, Millis, Span, parse_time
from tests.contracts.registry_made import episode, notice

FOLDER = Path(__file__).parent.parent / "cases" / "old_stores"
BUILT = parse_time("2025-04-01T08:00:00Z")
FINISHED = Millis(BUILT + 3 * DAY)
SENSORS = [SensorKey("larkfield", "P1", depth) for depth in ("15", "45")]


def scripts() -> ScriptDirectory:
    return ScriptDirectory.from_config(_config())


def revisions() -> list[str]:
    """Of the registry, the oldest first."""
    return [script.revision for script in reversed(list(scripts().walk_revisions()))]


def to_revision(engine: Engine, revision: str) -> None:
    config = _config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(upgrading.HERE).replace("%", "%%"))
    return config


def copy_rows(source: Engine, target: Engine) -> None:
    """What both sides have: tables, and columns of them."""
    here, there = MetaData(), MetaData()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SAWarning)  # indexes on expressions, which no row needs
        here.reflect(source)
        there.reflect(target)
    with source.connect() as reading, target.begin() as writing:
        for table in there.sorted_tables:
            if table.name in {"alembic_version", "counters"} or table.name not in here.tables:
                continue
            old = here.tables[table.name]
            columns = [old.c[column.name] for column in table.c if column.name in old.c]
            rows = [dict(row) for row in reading.execute(select(*columns)).mappings()]
            if rows:
                writing.execute(insert(table), rows)


def loaded(name: str, to: Path) -> Path:
    with closing(sqlite3.connect(to, isolation_level=None)) as connection:
        connection.executescript((FOLDER / f"{name}.sql").read_text("utf-8"))
    return to


def write_missing() -> list[str]:
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        made = [_registry_of(revision, folder) for revision in revisions()]
        made += [_readings_of(steps, folder) for steps in range(1, len(readings_schema.STEPS) + 1)]
        made.append(_spool(folder))
        return [file.stem for file in made if _dump(file)]


def _registry_of(revision: str, folder: Path) -> Path:
    newest = folder / "newest.db"
    if not newest.exists():
        registry = open_registry(newest)
        fill(registry)
        registry.close()
    path = folder / f"registry-{revision}.db"
    source, target = create_engine(f"sqlite:///{newest}"), create_engine(f"sqlite:///{path}")
    to_revision(target, revision)
    copy_rows(source, target)
    for engine in (source, target):
        engine.dispose()
    _number(path, REGISTRY_ID, 0)
    return path


def fill(registry: Registry) -> None:
    """Something in every table."""
    registry.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
    mix = {"feedstocks": [{"name": "straw", "mass_kg": 40.5}], "words": "é 堆肥"}
    registry.piles.add(
        Pile("p1", "larkfield", "K-01", BUILT, FINISHED, 900.5, "caged", ("us-nop-in-vessel",), None, mix)
    )
    registry.piles.add(Pile("p2", "larkfield", "K-01", FINISHED))
    registry.piles.add_turn(Turn("t1", "p1", Millis(BUILT + 30 * HOUR), note='it\'s "hot"; turned', by="Ann"))
    registry.piles.add_note(FieldNote("n1", "p1", "photo", Millis(BUILT + HOUR), "steam", {"a": 1}))
    registry.piles.save_photo("n1", b"\xff\xd8\x00 no real picture")
    registry.probes.add(Probe("q1", "larkfield", "P1", battery_percent=81.5, online=True))
    registry.probes.place(Placement("w1", "larkfield", "P1", "p1", Span(BUILT, FINISHED), "middle"))
    registry.probes.calibrate(Calibration("c1", "larkfield", "P1", "45", -0.4, BUILT, "ice water"))
    registry.people.add(Person("ann", "Ann", "Europe/Dublin"))
    registry.people.add_channel(Channel("ann-mail", "ann", "email", "ann@example.org"))
    registry.people.subscribe(Subscription("s1", "ann", "larkfield", None, ("turn_due",)))
    registry.episodes.put(episode("e1", figures={"load": 1.25}))
    registry.notices.put(notice("m1"))
    registry.quarantine.put(BUILT, "turnbell/larkfield/P1/readings", "no JSON", b"\x00\xff{")
    registry.access.add_token(Token("k1", "phone", "helper", BUILT, "d" * 64))
    registry.access.enrol("larkfield", "P1", "larkfield.P1", "a hash", BUILT)
    registry.memory.set("cursor", "12")
    registry.memory.remember("key", "scope", "answer", BUILT)
    registry.accounts.add(Account("a1", "ann", "Ann", BUILT, "manager"))
    registry.audit.append(
        Deed(BUILT, "account a1", "Ann", "sites.add", "larkfield", "larkfield", "page", {"n": 1})
    )


def readings() -> list[Reading]:
    at = np.arange(BUILT, FINISHED, 20 * MINUTE)
    return [
        Reading(
            sensor, Millis(int(one)), round(58.0 + number + 7.0 * float(np.sin(one / HOUR / 7.0)), 2), Millis(int(one) + 900),
            ArrivalMark.IMPORTED if number else ArrivalMark.NONE,
        )
        for one in at
        for number, sensor in enumerate(SENSORS)
    ]  # fmt: skip


def _readings_of(steps: int, folder: Path) -> Path:
    path, whole = folder / f"readings-{steps}.db", readings_schema.STEPS
    readings_schema.STEPS = whole[:steps]  # type: ignore[assignment]  # as an older program had them
    try:
        store = open_readings(path)
        store.append(readings())
        store.close()
    finally:
        readings_schema.STEPS = whole
    _number(path, READINGS_ID, steps)
    return path


def _spool(folder: Path) -> Path:
    path = folder / "spool-1.db"
    far = open_line_readings(parse_address("victoria://127.0.0.1:9"), path, clock_ms=lambda: FINISHED)
    far.append(readings()[:40])
    far.close()
    return path


def _number(path: Path, file_id: int, version: int) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA application_id={file_id}")
        connection.execute(f"PRAGMA user_version={version}")


def _dump(path: Path) -> bool:
    """Unless it is there already."""
    file = FOLDER / f"{path.stem}.sql"
    if file.exists():
        return False
    with closing(sqlite3.connect(path)) as connection:
        numbers = [
            f"PRAGMA {name}={connection.execute(f'PRAGMA {name}').fetchone()[0]};"
            for name in ("application_id", "user_version")
        ]
        file.write_text("\n".join([*numbers, *connection.iterdump(), ""]), "utf-8")
    return True


if __name__ == "__main__":
    for missing in write_missing():
        print(missing)
