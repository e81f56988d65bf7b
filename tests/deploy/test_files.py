"""The files for operators agree with the program: settings, commands, secrets, units."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from deploy.cli import COMMANDS, run
from shared.settings_read import load_settings
from tests.deploy.composed import COMPOSE, FILES, OURS, ROLES

UNITS = sorted((FILES / "systemd").glob("*.service"))


@pytest.mark.parametrize("name", OURS)
def test_a_service_of_the_compose_file_gets_settings_that_exist(name: str, tmp_path: Path) -> None:
    environment = dict(OURS[name]["environment"])
    for key, value in environment.items():
        if key.endswith("_FILE"):
            secret = tmp_path / Path(value).name
            secret.write_text("postgresql://turnbell:x@registry/turnbell", "utf-8")
            environment[key] = str(secret)
    settings = load_settings(None, environment)
    assert settings.mqtt.host in COMPOSE["services"]
    assert settings.mqtt.shared_group
    assert settings.readings.spool == settings.registry.url, "a container's own disk does not outlive it"


@pytest.mark.parametrize("name", ROLES)
def test_a_containers_healthcheck_asks_the_door_that_its_command_opens(name: str) -> None:
    kind, *command = OURS[name]["healthcheck"]["test"]
    assert (kind, command[:2]) == ("CMD", ["python", "-c"])
    compile(command[2], "healthcheck", "exec")
    (asked,) = re.findall(r"127\.0\.0\.1:(\d+)/", command[2])
    told = list(OURS[name]["command"])
    assert asked == (told[told.index("--port") + 1] if "--port" in told else "8750")


def test_the_nights_backup_outlives_its_container() -> None:
    folder = OURS["nightly"]["environment"]["TURNBELL_KEEPING_BACKUP_TO"]
    assert OURS["nightly"]["volumes"] == [f"backups:{folder}"]
    assert folder in (FILES / "Containerfile").read_text("utf-8"), "else the volume is root's"


def test_what_the_compose_file_names_is_there() -> None:
    used = {secret for service in COMPOSE["services"].values() for secret in service.get("secrets", ())}
    assert used == set(COMPOSE["secrets"])
    made = (FILES / "compose" / "make-secrets.sh").read_text("utf-8")
    for secret in COMPOSE["secrets"].values():
        assert Path(secret["file"]).name in made
    mounted = {
        volume.partition(":")[0]
        for service in COMPOSE["services"].values()
        for volume in service.get("volumes", ())
    }
    assert {volume for volume in mounted if not volume.startswith("./")} == set(COMPOSE["volumes"])
    for service in COMPOSE["services"].values():
        assert set(service.get("depends_on", ())) <= set(COMPOSE["services"])
    conf = (FILES / "compose" / "mosquitto.conf").read_text("utf-8")
    assert set(re.findall(r"/run/secrets/(\w+)", conf)) <= set(COMPOSE["services"]["broker"]["secrets"])


def test_two_ingesters_have_sessions_of_their_own() -> None:
    ingesters = [service for service in OURS.values() if service["command"][0] == "ingest"]
    ids = [service["environment"]["TURNBELL_MQTT_CLIENT_ID"] for service in ingesters]
    assert len(ids) == len(set(ids)) == 2
    hosts = [service["hostname"] for service in ingesters]  # else the engine names each container anew
    assert len(hosts) == len(set(hosts)) == 2


def _commands() -> list[list[str]]:
    found = [list(service["command"]) for service in OURS.values()]
    for unit in UNITS:
        line = re.search(r"^ExecStart=\S+/turnbell (.+)$", unit.read_text("utf-8"), re.MULTILINE)
        assert line is not None, unit
        found.append(shlex.split(line[1].replace("%i", "0")))
    image = (FILES / "Containerfile").read_text("utf-8")
    command = re.search(r"^CMD \[(.+)\]$", image, re.MULTILINE)
    assert command is not None
    found.append([word.strip().strip('"') for word in command[1].split(",")])
    return found


@pytest.mark.parametrize("command", _commands(), ids=" ".join)
def test_every_command_in_the_files_is_one_that_the_program_knows(
    command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert command[0] in COMMANDS
    assert run([*command, "--help"]) == 0
    options = set(re.findall(r"--[a-z-]+", capsys.readouterr().out))
    assert {word for word in command if word.startswith("--")} <= options


def _here(unit: Path, folder: Path) -> Path:
    """A copy that starts a program which is there."""
    program = folder / "turnbell"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    copy = folder / unit.name.replace("@", "@0")
    copy.write_text(re.sub(r"ExecStart=\S+", f"ExecStart={program}", unit.read_text("utf-8")), "utf-8")
    return copy


def _complaints(systemd_analyze: str, *units: Path) -> list[str]:
    verified = subprocess.run(
        [systemd_analyze, "verify", "--man=no", *map(str, units)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    return [line for line in verified.stderr.splitlines() if "turnbell" in line]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_a_unit_is_whole_and_gives_the_service_little_room(
    unit: Path, systemd_analyze: str, tmp_path: Path
) -> None:
    copy = _here(unit, tmp_path)
    assert _complaints(systemd_analyze, copy) == []
    judged = subprocess.run(
        [systemd_analyze, "security", "--offline=true", "--threshold=20", str(copy)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert judged.returncode == 0, judged.stdout[-400:]


@pytest.mark.parametrize("timer", sorted((FILES / "systemd").glob("*.timer")), ids=lambda timer: timer.name)
def test_a_timer_is_whole_and_its_unit_is_there(timer: Path, systemd_analyze: str, tmp_path: Path) -> None:
    copy = tmp_path / timer.name
    copy.write_text(timer.read_text("utf-8"), "utf-8")
    assert _complaints(systemd_analyze, copy, _here(timer.with_suffix(".service"), tmp_path)) == []
    when = re.search(r"^OnCalendar=(.+)$", timer.read_text("utf-8"), re.MULTILINE)
    assert when is not None
    known = subprocess.run(
        [systemd_analyze, "calendar", when[1]], capture_output=True, check=False, timeout=60
    )
    assert known.returncode == 0


def test_the_image_gets_the_versions_that_the_tests_ran_with() -> None:
    everything, service = (
        set(re.findall(r"^[\w.-]+==\S+", (root / "requirements.lock").read_text("utf-8"), re.MULTILINE))
        for root in (FILES.parents[1], FILES)
    )
    assert service < everything
    names = {pin.partition("==")[0] for pin in service}
    assert {"psycopg", "setuptools"} <= names
    assert not names & {"pytest", "mypy", "playwright"}
