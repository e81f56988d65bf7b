"""Records written to files, and ``turnbell analyse`` run on them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from deploy.cli import turnbell
from shared.times import DAY, MINUTE, Millis, iso, parse_time

START = parse_time("2026-01-01T00:00:00Z")
STEP = 10 * MINUTE


def write_record(
    file: Path,
    days: float,
    celsius: float,
    turns: tuple[float, ...] = (),
    probe: str = "core",
    depth: str = "45",
) -> Path:
    """A constant line of ``days`` known time: at each turn (days of known time) ten minutes are lost between two
    readings, and the turn is in their middle. Gives the file of turns."""
    rows = ["time,probe,depth_cm,celsius"]
    turned = ["time,note"]
    at, held = START, 0
    for turn in (*turns, None):
        until = round((days if turn is None else turn) * DAY)
        while held < until:
            rows.append(f"{iso(Millis(at))},{probe},{depth},{celsius}")
            step = min(STEP, until - held)
            at, held = Millis(at + step), held + step
        rows.append(f"{iso(Millis(at))},{probe},{depth},{celsius}")
        if turn is not None:
            turned.append(f"{iso(Millis(at + STEP // 2))},by hand")
            at = Millis(at + STEP)
    file.write_text("\n".join(rows) + "\n", "utf-8")
    turns_file = file.with_name("turns.csv")
    turns_file.write_text("\n".join(turned) + "\n", "utf-8")
    return turns_file


def invoke(*arguments: str | Path) -> Result:
    return CliRunner().invoke(turnbell, ["analyse", *(str(argument) for argument in arguments)])


def report(*arguments: str | Path) -> dict[str, Any]:
    done = invoke(*arguments, "--format", "json")
    assert done.exit_code == 0, done.output + str(done.exception)
    found: dict[str, Any] = json.loads(done.stdout)
    return found
