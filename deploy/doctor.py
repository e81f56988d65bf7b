"""Looks at everything the service leans on and says what it finds. Changes nothing."""

from __future__ import annotations

import json
import shutil
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import httpx

from deploy.backups_kept import MADE_AT, TROUBLE
from deploy.doctor_secrets import open_secrets
from deploy.house import RUNNING_FILE, House
from ingest import hearing
from ingest.pipeline import IngestLoop
from shared.loops import BEATS
from shared.ports import StorageError
from shared.settings import Settings
from shared.stores.registry.seal import NAME as SEALED
from shared.times import DAY, MINUTE, Millis, iso, parse_time

Verdict = Literal["ok", "warn", "fail"]
LEAST_FREE_BYTES, LITTLE_FREE_BYTES = 200 * 2**20, 2 * 2**30
PATIENCE_S = 5.0
RELEASED_AT = parse_time("2026-11-01T00:00:00Z")  # no clock that is right reads earlier


@dataclass(frozen=True)
class Finding:
    """``id`` is stable: documentation and scripts name it."""

    id: str
    verdict: Verdict
    text: str


def examine(house: House, config_file: Path | None) -> Iterator[Finding]:
    yield _disk(house.data_dir)
    yield _clock(house)
    yield _store("registry", house.registry.ping)
    yield _store("readings", house.readings.ping)
    yield from _service(house)
    yield from _hearing(house)
    yield _mail(house.settings)
    yield from _channels(house)
    yield from (
        Finding("secrets", "warn" if open_ else "ok", text)
        for open_, text in open_secrets(config_file, house.data_dir)
    )
    if house.registry.memory.get(SEALED) is None:
        text = "the registry keeps second factors and webhooks as they are: set [registry] key_file"
        yield Finding("secrets", "warn", text)
    yield from _backup(house)
    yield from _roles(house)
    yield from _probes(house)


def _disk(data_dir: Path) -> Finding:
    free = shutil.disk_usage(data_dir).free
    text = f"{free / 2**30:.1f} GiB free for {data_dir}"
    if free < LEAST_FREE_BYTES:
        return Finding(
            "disk", "fail", f"{text}: too little; free some before readings have to wait at the broker"
        )
    return Finding("disk", "warn" if free < LITTLE_FREE_BYTES else "ok", text)


def _clock(house: House) -> Finding:
    now = house.clock.now()
    if now < RELEASED_AT:
        return Finding(
            "clock", "fail", f"the machine's clock says {iso(now)}: set it, readings are judged by it"
        )
    ahead = [row for row in house.readings.sensors() if row.last_at > now + 10 * MINUTE]
    if ahead:
        return Finding(
            "clock",
            "warn",
            f"the clock says {iso(now)}, yet there are readings after that: did it step back?",
        )
    return Finding("clock", "ok", f"{iso(now)}, no reading is ahead of it")


def _store(name: str, ping: Callable[[], None]) -> Finding:
    try:
        ping()
    except StorageError as error:
        return Finding(name, "fail", f"cannot be written: {error}")
    return Finding(name, "ok", "can be read and written")


def _service(house: House) -> Iterator[Finding]:
    outside = house.settings.mqtt
    try:
        word = json.loads((house.data_dir / RUNNING_FILE).read_text("utf-8"))
        web, host, port = str(word["web"]), str(word["mqtt_host"]), int(word["mqtt_port"])
    except (OSError, ValueError, KeyError, TypeError):
        yield Finding("service", "warn", "`turnbell serve` does not run on this data directory")
        if outside.host is not None:
            yield _reach("broker", outside.host, outside.port)
        return
    try:
        answer = httpx.get(f"{web}healthz", timeout=PATIENCE_S)
        verdict: Verdict = "ok" if answer.status_code == 200 else "fail"
        yield Finding("service", verdict, f"{web} answers {answer.status_code}: {answer.text[:200]}")
    except httpx.HTTPError as error:
        yield Finding(
            "service", "fail", f"{web} does not answer ({type(error).__name__}); start `turnbell serve` again"
        )
    yield _reach("broker", host, port)


def _hearing(house: House) -> Iterator[Finding]:
    """What the ingester has found out about its own rights at the broker, by listening for its own echo. What one found
    out that runs no more is of the past: these stores may have come out of a backup."""
    said = house.registry.memory.get(hearing.NAME)
    if said is None:
        return
    beat = house.registry.memory.get(f"{BEATS}{IngestLoop.name}") or ""
    possible = house.settings.mqtt.host is not None or (house.data_dir / RUNNING_FILE).exists()
    if not possible or not beat.isdigit() or int(beat) < house.clock.now() - MINUTE:
        when = f" ({iso(Millis(int(beat)))})" if beat.isdigit() else ""
        text = "heard itself" if said == hearing.HEARS else f"found that {said}"
        yield Finding("ingester", "warn", f"does not run; when it last did{when} it {text}")
    elif said == hearing.HEARS:
        yield Finding("ingester", "ok", "hears what it publishes: the broker lets readings through")
    else:
        yield Finding("ingester", "fail" if said == hearing.NOTHING else "warn", said)


def _reach(name: str, host: str, port: int) -> Finding:
    try:
        with socket.create_connection((host, port), PATIENCE_S):
            return Finding(name, "ok", f"{host} port {port} accepts connections")
    except OSError as error:
        return Finding(name, "fail", f"{host} port {port}: {error.strerror or error}")


def _mail(settings: Settings) -> Finding:
    if settings.email.host is None:
        return Finding("email", "warn", "no [email] host: email channels cannot send")
    return _reach("email", settings.email.host, settings.email.port)


def _channels(house: House) -> Iterator[Finding]:
    channels = house.registry.people.channels()
    if not channels:
        yield Finding("channels", "warn", "nobody would be told: no person has a channel yet")
    elif not house.registry.people.subscriptions():
        yield Finding("channels", "warn", "nobody would be told: no person has a subscription yet")
    for channel in channels:
        person = house.registry.people.get(channel.person_id)
        name = f"channel.{channel.kind}.{channel.id}"
        if channel.disabled_at is not None:
            text = f"{person.name}'s {channel.kind} is switched off since {iso(channel.disabled_at)}: {channel.disabled_why}"
            yield Finding(name, "fail", text)
        else:
            yield Finding(name, "ok", f"{person.name}'s {channel.kind} is on")


def _backup(house: House) -> Iterator[Finding]:
    if house.settings.keeping.backup_to is None:
        return
    made, trouble = (house.registry.memory.get(name) or "" for name in (MADE_AT, TROUBLE))
    last = f"the last one is of {iso(Millis(int(made)))}" if made else "none was made yet"
    if trouble:
        yield Finding("backup", "fail", f"{trouble}; {last}")
    elif not made:
        yield Finding("backup", "warn", f"{last}: the first is made in the night, or by `turnbell nightly`")
    else:
        late = int(made) < house.clock.now() - 2 * DAY
        yield Finding("backup", "fail" if late else "ok", last)


def _roles(house: House) -> Iterator[Finding]:
    """Roles that once ran on this data and left no beat of late."""
    now = house.clock.now()
    for name, beat in sorted(house.registry.memory.names(BEATS).items()):
        if beat.isdigit() and now - int(beat) > DAY:
            role = name.removeprefix(BEATS)
            yield Finding(
                f"role.{role}",
                "warn",
                f"last ran {iso(Millis(int(beat)))}: start it again, or, if it was taken away for good, say "
                f"`turnbell check --gone {role}` and its trouble ends",
            )


def forget_role(house: House, role: str) -> bool:
    """It was taken away for good; False: no role of that name ever ran here."""
    if not house.registry.memory.get(f"{BEATS}{role}"):
        return False
    house.registry.memory.set(f"{BEATS}{role}", "")
    return True


def _probes(house: House) -> Iterator[Finding]:
    now = house.clock.now()
    long_silent = [
        probe.name
        for probe in house.registry.probes.all()
        if probe.last_heard_at is not None and Millis(now - DAY) > probe.last_heard_at
    ]
    if long_silent:
        yield Finding("probes", "warn", f"not heard for over a day: {', '.join(long_silent[:8])}")
