"""``turnbell analyse``: files in, a heat report out."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from deploy.cli import run as run_cli
from shared.times import HOUR, MINUTE, Millis, iso
from tests.deploy.analyse_files import START, STEP, invoke, report, write_record


def refused(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    assert run_cli(["analyse", *(str(argument) for argument in arguments)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    return captured.err


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return tmp_path / "record.csv"


def test_hours_are_those_of_the_lines_between_readings(record: Path) -> None:
    record.write_text(
        "time,probe,depth_cm,celsius\n"
        "2026-01-01T00:00:00Z,K-01,45,50\n2026-01-01T01:00:00Z,K-01,45,60\n2026-01-01T03:00:00Z,K-01,45,50\n"
        "2026-01-01T07:00:00Z,K-01,45,70\n2026-01-01T08:00:00Z,K-01,45,70\n",
        "utf-8",
    )
    found = report(record)
    sensor = found["sensors"][0]
    assert sensor["hours_above"]["55"] == pytest.approx(0.5 + 1.0 + 1.0, abs=1e-4)
    assert sensor["longest_spell_hours"]["55"] == pytest.approx(1.5, abs=1e-4)
    assert sensor["gap_hours"] == pytest.approx(4.0)
    assert (sensor["peak_c"], sensor["peak_at"]) == (70.0, "2026-01-01T07:00:00Z")
    assert found["built_at"] == "2026-01-01T00:00:00Z"
    assert found["pile"] is None
    wider = report(record, "--max-gap-minutes", "240")["sensors"][0]
    assert wider["hours_above"]["55"] == pytest.approx(0.5 + 1.0 + 3.0 + 1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("rule_id", "celsius", "days", "turns"),
    [
        ("us-503-pfrp-windrow", 55, 15, (3, 6, 9, 12, 14.5)),
        ("us-503-pfrp-vessel", 55, 3, ()),
        ("us-503-psrp", 55, 5, ()),
        ("us-organic-windrow", 55, 15, (3, 6, 9, 12, 14.5)),
        ("us-organic-vessel", 76.7, 3, ()),
        ("us-ca-windrow", 55, 15, (3, 6, 9, 12, 14.5)),
        ("us-ca-static", 55, 3, ()),
        ("de-bioabfv-2012", 60, 6, ()),
        ("uk-catering-windrow", 60, 8, (2, 4, 6)),
        ("uk-catering-vessel", 70, 1 / 24, ()),
        ("au-4454", 55, 9.5, (3, 6, 9)),
        ("three-turns", 55, 9.5, (3, 6, 9)),
        ("eu-cmc3", 65, 5, ()),
        ("ca-ccme-windrow", 55, 15, (3, 6, 9, 12, 14.5)),
        ("uk-pas100", 65, 7, (2, 4)),
    ],
)
def test_every_rule_is_met_from_a_file_and_not_one_reading_earlier(
    record: Path, rule_id: str, celsius: float, days: float, turns: tuple[float, ...]
) -> None:
    turned = write_record(record, days, celsius, turns)
    named = ("--turns", turned, "--rule", rule_id)
    only = report(record, *named)["rules"]
    assert [rule["id"] for rule in only] == [rule_id]
    assert only[0]["status"] == "met"
    if rule_id not in {"au-4454", "three-turns"}:
        lines = record.read_text("utf-8").splitlines(keepends=True)
        assert only[0]["met_at"] == lines[-1].split(",")[0]
        record.write_text("".join(lines[:-1]), "utf-8")
    else:
        turned.write_text("".join(turned.read_text("utf-8").splitlines(keepends=True)[:-1]), "utf-8")
    fell_short = report(record, *named)["rules"][0]
    assert (fell_short["status"], fell_short["met_at"]) == ("open", None)
    assert fell_short["missing"]


def test_turns_shape_the_cycles_and_the_turning(record: Path) -> None:
    turned = write_record(record, 10, 58, (3, 4, 8))
    found = report(record, "--turns", turned)
    assert [cycle["counts"] for cycle in found["cycles"]] == [True, False, True, None]
    assert found["turn"]["counted"] == 2
    assert found["turn"]["required"] == 3
    assert found["turns"][0]["source"] == "logged"


def test_a_pile_that_runs_too_hot_says_so_with_its_cautions(record: Path) -> None:
    write_record(record, 1, 78)
    found = report(record)
    assert found["risk"]["level"] == "danger"
    assert found["risk"]["since"] == "2026-01-01T00:30:00Z"
    assert any("fire service" in caution for caution in found["cautions"])
    assert "danger since 2026-01-01 00:30" in invoke(record).stdout


def test_fahrenheit_levels_and_shuffled_rows_give_the_same_report(record: Path, tmp_path: Path) -> None:
    write_record(record, 2, 65)
    plain = report(record)
    lines = record.read_text("utf-8").splitlines()[1:]
    other = tmp_path / "other.csv"
    cells = [line.split(",") for line in reversed(lines)]
    rows = [f"{time};{probe};{depth};149,0" for time, probe, depth, _ in cells]
    other.write_text("\ufefftime;probe;depth_cm;fahrenheit\n" + "\n".join([*rows, rows[0]]) + "\n", "utf-8")
    assert report(other) == plain


def test_a_wide_file_reads_like_a_long_one(record: Path, tmp_path: Path) -> None:
    write_record(record, 2, 65)
    wide = tmp_path / "wide.csv"
    rows = [line.split(",") for line in record.read_text("utf-8").splitlines()[1:]]
    wide.write_text("time,core 45 cm,15\n" + "".join(f"{row[0]},{row[3]},51\n" for row in rows), "utf-8")
    found = report(wide)
    assert [sensor["depth_cm"] for sensor in found["sensors"]] == [15.0, 45.0]
    assert found["hottest"]["hours_above"]["65"] == pytest.approx(48.0)
    assert found["coldest"]["hours_above"]["50"] == pytest.approx(48.0)
    assert found["coldest"]["hours_above"]["55"] == 0.0


def test_cells_that_are_no_number_are_counted_as_faults(record: Path) -> None:
    record.write_text(
        "time,probe,depth_cm,celsius\n"
        + "".join(f"2026-01-01T0{hour}:00:00Z,K-01,45,{'err' if hour == 2 else 60}\n" for hour in range(5)),
        "utf-8",
    )
    sensor = report(record)["sensors"][0]
    assert (sensor["readings"], sensor["suspect"]) == (4, 1)
    assert sensor["hours_above"]["55"] == pytest.approx(4.0)
    assert "1 cells hold no number" in invoke(record).stdout


def test_local_times_need_a_zone_and_are_read_in_it(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record.write_text("time,probe,celsius\n2026-10-25T00:00:00,A,60\n2026-10-25T03:00:00,A,60\n", "utf-8")
    assert "has no UTC offset; add one, or name the zone with --zone" in refused(capsys, record)
    found = report(record, "--zone", "Europe/Dublin", "--max-gap-minutes", "300")
    assert found["sensors"][0]["hours_above"]["60"] == pytest.approx(4.0), "the night has an hour more"
    assert "2026-10-25 03:00" in invoke(record, "--zone", "Europe/Dublin").stdout


def test_the_build_can_be_given(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_record(record, 2, 65)
    found = report(record, "--built", "2026-01-02T00:00:00Z")
    assert found["built_at"] == "2026-01-02T00:00:00Z"
    assert found["hottest"]["hours_above"]["65"] == pytest.approx(24.0)
    words = invoke(record, "--built", "2026-01-02T00:00:00Z").stdout
    assert "144 readings from before the build are left out" in " ".join(words.split())
    assert "is after the last reading" in refused(capsys, record, "--built", "2027-01-01T00:00:00Z")
    assert "not an ISO 8601 time" in refused(capsys, record, "--built", "last week")


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["--rule", "us-503"], "no rule called 'us-503'; there are"),
        (["--guide", "nine-turns"], "no guide called 'nine-turns'; there are"),
        (["--zone", "Mars/North"], "no time zone called 'Mars/North'"),
        (["--max-gap-minutes", "0"], "--max-gap-minutes"),
        (["--max-gap-minutes", "nan"], "--max-gap-minutes"),
        (["--format", "xml"], "--format"),
        (["--turns", "nowhere.csv"], "nowhere.csv"),
        (["--out", "nowhere/report.txt"], "cannot write nowhere/report.txt"),
    ],
)
def test_a_wrong_option_is_said_in_one_line(
    record: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], why: str
) -> None:
    write_record(record, 0.1, 60)
    assert why in refused(capsys, record, *arguments)


def test_a_wrong_file_is_said_in_one_line(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "does not exist" in refused(capsys, record)
    record.write_text("time,probe,celsius\n2026-01-01T00:00:00Z,A,60\nsoon,A,60\n", "utf-8")
    assert "line 3: 'soon' is not an ISO 8601 time" in refused(capsys, record)
    record.write_text("time,probe,celsius\n2026-01-01T00:00:00Z,A,\n", "utf-8")
    turns = tmp_path / "turns.csv"
    turns.write_text("time\nlater\n", "utf-8")
    assert "turns.csv, line 2" in refused(capsys, record, "--turns", turns)


def test_a_reader_that_stops_early_sees_no_error(record: Path) -> None:
    write_record(record, 1, 60)
    command = f"{sys.executable} -m deploy analyse {record} --format json | head -c 10"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_a_long_file_tells_how_far_it_is(record: Path) -> None:
    row = ",north-probe-with-a-long-name,45,60.25\n"
    lines = [f"{iso(Millis(START + index * MINUTE))}{row}" for index in range(140_000)]
    record.write_text("time,probe,depth_cm,celsius\n" + "".join(lines), "utf-8")
    done = invoke(record, "--format", "json")
    assert done.exit_code == 0
    assert "read 140,000 rows" in done.stderr


def test_a_users_own_rule_is_read_and_a_bad_one_refused_with_its_line(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_record(record, 1, 60)
    (tmp_path / "rules").mkdir()
    own = tmp_path / "rules" / "own.toml"
    text = (
        'id = "own"\ntitle = "Own"\nedition = "2026"\nsource = "the yard"\nsource_status = "common practice"\n'
        "[[alternative]]\nat_least_c = 60\nhours = 24\n"
    )
    own.write_text(text, "utf-8")
    assert report(record, "--data", tmp_path, "--rule", "own")["rules"][0]["status"] == "met"
    own.write_text(text.replace("hours = 24", "hours = 0"), "utf-8")
    assert f"{own}, line 8: alternative.1.hours" in refused(capsys, record, "--data", tmp_path)


def test_the_text_says_what_each_figure_rests_on(record: Path) -> None:
    turned = write_record(record, 15, 58, (3, 6, 9, 12, 14.5))
    words = " ".join(invoke(record, "--turns", turned, "--rule", "us-503-pfrp-windrow").stdout.split())
    for said in (
        "Heat record of record.csv", "times are written in UTC", "No build time was given", "5 recorded turns",
        "at most 180 min apart", "supports us-503-pfrp-windrow", "the coldest decides", "as we read it", "second-hand",
        "Hours at or over", "local codes and the permit decide",
    ):  # fmt: skip
        assert said in words
    assert "–" not in words.split("Longest unbroken")[0].split("Hours at or over")[1]


def test_hours_are_exact_to_the_last_digit_in_any_order(record: Path) -> None:
    write_record(record, 3, 58.5, (1.5,))
    first = report(record)
    lines = record.read_text("utf-8").splitlines()
    record.write_text("\n".join([lines[0], *lines[:0:-1]]) + "\n", "utf-8")
    assert report(record) == first
    assert (
        first["hottest"]["hours_above"]["55"] == 72.0 + STEP / HOUR
    )  # never told of the turn, it bridges it
