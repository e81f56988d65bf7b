"""Accounts, tokens and the audit log from the command line."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from deploy.cli import turnbell
from deploy.errors import UserError
from deploy.house import RUNNING_FILE
from tests.api.conftest import House, build_house, close_house
from tests.security.conftest import PASSWORD, owner, send, sign_in, visitor


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    built = build_house(tmp_path)
    yield built
    close_house(built)


def run(house: House, *words: str) -> Result:
    return CliRunner().invoke(turnbell, [*words, "--data", str(house.parts.data_dir)], standalone_mode=False)


def test_an_account_is_invited_and_reset_at_the_machine(house: House) -> None:
    from shared.times import SystemClock

    house.clock.at = SystemClock().now()
    (house.parts.data_dir / RUNNING_FILE).write_text(json.dumps({"web": "http://127.0.0.1:8750/"}), "utf-8")
    link = run(house, "account", "invite", "--on", "larkfield=helper").output.strip()
    assert link.startswith("http://127.0.0.1:8750/join?key=tb_")
    made = send(
        visitor(house), "/join", key=link.partition("key=")[2], login="tam", name="Tam", password=PASSWORD
    )
    assert made.status_code == 303
    listed = run(house, "account", "list").output
    assert "helper@larkfield" in listed
    reset = run(house, "account", "reset", "tam").output.strip()
    assert (
        send(
            visitor(house), "/join", key=reset.partition("key=")[2], password="barrow of leaves 12"
        ).status_code
        == 303
    )
    sign_in(house, "tam", "barrow of leaves 12")
    for words in (
        ("account", "reset", "eve"),
        ("account", "invite"),
        ("account", "invite", "--on", "nowhere=helper"),
    ):
        assert isinstance(run(house, *words).exception, UserError), words


def test_a_token_is_made_listed_and_ended(house: House) -> None:
    secret = run(
        house, "token", "create", "--role", "viewer", "--site", "larkfield", "--days", "3"
    ).output.strip()
    assert secret.startswith("tb_")
    listed = run(house, "token", "list").output
    assert secret not in listed
    line = next(line for line in listed.splitlines() if "viewer on larkfield, until" in line)
    assert run(house, "token", "revoke", line.split()[0]).exception is None
    assert "viewer on larkfield" not in run(house, "token", "list").output
    assert isinstance(run(house, "token", "revoke", "none").exception, UserError)


def test_the_log_is_verified_and_a_forged_one_is_found(house: House) -> None:
    owner(house)
    run(house, "token", "create", "--role", "viewer")
    whole = run(house, "audit", "verify")
    assert whole.return_value == 0
    head = whole.output.split()[-1]
    assert run(house, "audit", "verify", "--head", head).return_value == 0
    assert run(house, "audit", "verify", "--head", "f" * 64).return_value == 1
    assert len(run(house, "audit", "export").output.splitlines()) == int(whole.output.split()[0])
    with closing(sqlite3.connect(house.parts.data_dir / "registry.db", timeout=30)) as file, file:
        file.execute("DROP TRIGGER audit_stays_update")
        file.execute("UPDATE audit SET who = 'Somebody Else' WHERE seq = 2")
    forged = run(house, "audit", "verify")
    assert forged.return_value == 1
    assert "BROKEN at entry 2" in forged.output
