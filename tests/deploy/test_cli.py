"""A mistake costs one line and nothing else: exit 2 for the caller's, 1 for the surroundings', never a traceback."""

from __future__ import annotations

import socket
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from deploy.cli import COMMANDS, run
from tests.e2e.harness import turnbell as as_a_process


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


Command = Callable[..., Done]


@pytest.fixture
def turnbell(capsys: pytest.CaptureFixture[str]) -> Command:
    """The command line in this process: the same function that the command calls."""

    def call(*arguments: str) -> Done:
        capsys.readouterr()
        status = run(list(arguments))
        out, err = capsys.readouterr()
        return Done(status, out, err)

    return call


def says_one_line(stderr: str) -> bool:
    lines = stderr.strip().splitlines()
    return len(lines) == 1 and lines[0].startswith("turnbell: ") and "Traceback" not in stderr


@pytest.mark.parametrize(
    "command", [[], *[[name] for name in COMMANDS], ["token", "create"], ["probe", "enrol"]]
)
def test_every_command_has_help(turnbell: Command, command: list[str]) -> None:
    done = turnbell(*command, "--help")
    assert done.returncode == 0
    assert done.stdout.startswith("Usage: turnbell")
    assert len(done.stdout.splitlines()) > 4


@pytest.mark.parametrize(
    "arguments",
    [
        ["serve"],
        ["serve", "--data", "x", "--port", "many"],
        ["serve", "--data", "x", "--port", "70000"],
        ["serve", "--nonsense"],
        ["nonsense"],
        ["token", "create", "--data", "x", "--role", "emperor"],
        ["check", "--data", "not-there"],
        ["token", "create", "--data", "not-there", "--role", "viewer"],
        ["ingest", "--data", "x"],
    ],
)
def test_a_wrong_word_exits_2_and_says_what_to_do(
    turnbell: Command, arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = turnbell(*arguments)
    assert done.returncode == 2
    assert says_one_line(done.stderr), done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[web\n", "TOML"),
        ("[web]\ncolour = 'red'\n", "colour"),
        ("[mqtt]\nport = 'many'\n", "mqtt.port"),
        ("[analysis]\nmax_gap_minutes = -5\n", "max_gap_minutes"),
        ("[email]\npassword_file = 'nowhere'\n", "nowhere"),
    ],
)
def test_a_bad_configuration_names_the_setting(
    turnbell: Command, text: str, word: str, tmp_path: Path
) -> None:
    config = tmp_path / "turnbell.toml"
    config.write_text(text)
    done = turnbell("serve", "--data", str(tmp_path / "data"), "--config", str(config))
    assert done.returncode == 2
    assert says_one_line(done.stderr), done.stderr
    assert word in done.stderr
    assert not (tmp_path / "data").exists()


def test_an_unreadable_configuration_is_named(turnbell: Command, tmp_path: Path) -> None:
    done = turnbell("serve", "--data", str(tmp_path / "data"), "--config", str(tmp_path / "none.toml"))
    assert done.returncode == 2
    assert "none.toml" in done.stderr
    assert says_one_line(done.stderr)


def test_a_port_in_use_exits_1_with_its_number(turnbell: Command, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        done = turnbell("serve", "--data", str(tmp_path / "data"), "--port", port, "--mqtt-port", "0")
        assert done.returncode == 1
        assert port in done.stderr
        assert says_one_line(done.stderr), done.stderr
        done = turnbell("serve", "--data", str(tmp_path / "data"), "--port", "0", "--mqtt-port", port)
        assert done.returncode == 1
        assert port in done.stderr
        assert says_one_line(done.stderr), done.stderr


def test_a_broker_open_to_the_network_without_credentials_is_refused(
    turnbell: Command, tmp_path: Path
) -> None:
    done = turnbell(
        "serve", "--data", str(tmp_path / "data"), "--port", "0", "--mqtt-host", "0.0.0.0", "--mqtt-port", "0"
    )
    assert done.returncode == 2
    assert says_one_line(done.stderr), done.stderr


@pytest.mark.parametrize("name", ["registry.db", "readings.db"])
def test_a_database_that_is_none_exits_1_and_is_left_alone(
    turnbell: Command, name: str, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    (data / name).write_bytes(b"this is not a database, it is a note about one\n" * 40)
    before = (data / name).read_bytes()
    done = turnbell("token", "create", "--data", str(data), "--role", "viewer")
    assert done.returncode == 1
    assert says_one_line(done.stderr), done.stderr
    assert (data / name).read_bytes() == before


def test_a_database_newer_than_the_program_is_refused_and_left_alone(
    turnbell: Command, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    assert turnbell("token", "create", "--data", str(data), "--role", "viewer").returncode == 0
    with sqlite3.connect(data / "registry.db") as base:
        base.execute("UPDATE alembic_version SET version_num = '9999'")
    base.close()
    done = turnbell("check", "--data", str(data))
    assert done.returncode == 1
    assert "newer" in done.stderr
    assert says_one_line(done.stderr), done.stderr


def test_a_data_directory_that_is_a_file_exits_2(turnbell: Command, tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.write_text("not a directory")
    done = turnbell("token", "create", "--data", str(data), "--role", "viewer")
    assert done.returncode == 2
    assert says_one_line(done.stderr), done.stderr


def test_a_recipe_with_a_mistake_exits_2_and_names_it(turnbell: Command, tmp_path: Path) -> None:
    recipe = tmp_path / "mix.toml"
    recipe.write_text('[[feedstock]]\nname = "grass"\nmass_kg = -3\n')
    done = turnbell("mix", str(recipe))
    assert done.returncode == 2
    assert "mass_kg" in done.stderr
    assert says_one_line(done.stderr), done.stderr
    assert turnbell("mix", str(tmp_path / "none.toml")).returncode == 2


def test_the_process_itself_ends_with_the_status_and_the_line(tmp_path: Path) -> None:
    assert as_a_process("--version").returncode == 0
    done = as_a_process("check", "--data", str(tmp_path / "none"))
    assert done.returncode == 2
    assert says_one_line(done.stderr), done.stderr
