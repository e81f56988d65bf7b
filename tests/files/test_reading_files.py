"""Readings and turns out of CSV files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from shared.file_layout import FileError
from shared.reading_files import ReadingsFile, read_readings, read_turns
from shared.readings import SensorKey
from shared.times import HOUR, MINUTE, iso, parse_time

LONG = "time,probe,depth_cm,celsius\n"


@pytest.fixture
def csv(tmp_path: Path) -> Path:
    return tmp_path / "readings.csv"


def read(file: Path, text: str, zone: str | None = None) -> ReadingsFile:
    file.write_text(text, "utf-8")
    return read_readings(file, zone=zone)


def key(probe: str, depth: str = "") -> SensorKey:
    return SensorKey("file", probe, depth)


def test_a_long_file_gives_a_curve_for_each_depth(csv: Path) -> None:
    found = read(
        csv, f"{LONG}2026-01-01T00:00:00Z,K-01,45,50.5\n2026-01-01T00:00:00Z,K-01,45.0,51\n"
        "2026-01-01T00:10:00Z,K-01,15,40\n"
    )  # fmt: skip
    assert set(found.curves) == {key("K-01", "45"), key("K-01", "15")}
    assert found.rows == 3
    assert (found.repeats, found.differing) == (0, 1)
    assert found.curves[key("K-01", "45")].value.tolist() == [50.5]


def test_levels_stand_in_for_depths(csv: Path) -> None:
    found = read(csv, "time,probe,level,celsius\n2026-01-01T00:00:00Z,A,Middle,50\n")
    assert list(found.curves) == [key("A", "middle")]


def test_fahrenheit_becomes_celsius(csv: Path) -> None:
    found = read(csv, "time,probe,depth_cm,fahrenheit\n2026-01-01T00:00:00Z,A,45,131\n")
    assert found.curves[key("A", "45")].value.tolist() == [55.0]
    assert found.units == "fahrenheit"


def test_a_wide_file_gives_a_curve_for_each_column(csv: Path) -> None:
    found = read(
        csv, "time,core 45 cm,edge,75\n2026-01-01T00:00:00Z,60.1,41,\n2026-01-01T01:00:00Z,err,42,55\n"
    )
    assert set(found.curves) == {key("core 45 cm", "45"), key("edge"), key("75", "75")}
    assert found.faults == {key("core 45 cm", "45"): 1}
    assert len(found.curves[key("75", "75")]) == 1, "an empty cell of a wide file is no reading, and no fault"


def test_a_wide_column_can_say_fahrenheit(csv: Path) -> None:
    found = read(csv, "time,core (°F)\n2026-01-01T00:00:00Z,131\n")
    assert found.curves[key("core (°F)")].value.tolist() == [55.0]


@pytest.mark.parametrize("token", ["err", "NaN", "", "---", "inf", "85.0.1", "null"])
def test_what_is_no_number_is_counted_and_kept_out_of_the_values(csv: Path, token: str) -> None:
    found = read(csv, f"{LONG}2026-01-01T00:00:00Z,A,45,50\n2026-01-01T00:10:00Z,A,45,{token}\n")
    assert found.faults == {key("A", "45"): 1}
    assert np.isnan(found.curves[key("A", "45")].value).tolist() == [False, True]


def test_a_number_beats_a_fault_at_the_same_instant_in_any_order(csv: Path) -> None:
    found = read(csv, f"{LONG}2026-01-01T00:00:00Z,A,45,err\n2026-01-01T00:00:00Z,A,45,50\n")
    assert found.curves[key("A", "45")].value.tolist() == [50.0]
    assert (found.faults, found.repeats, found.differing) == ({key("A", "45"): 1}, 0, 0)


def test_rows_in_any_order_give_the_same_curve(csv: Path) -> None:
    rows = [f"2026-01-01T00:{minute:02d}:00Z,A,45,{50 + minute}\n" for minute in range(0, 60, 10)]
    ordered = read(csv, LONG + "".join(rows))
    shuffled = read(csv, LONG + "".join(rows[::-1]))
    assert ordered.curves[key("A", "45")].at.tolist() == shuffled.curves[key("A", "45")].at.tolist()
    assert ordered.curves[key("A", "45")].value.tolist() == shuffled.curves[key("A", "45")].value.tolist()
    assert (ordered.unordered, shuffled.unordered) == (False, True)


@pytest.mark.parametrize(("mark", "number"), [(";", "61,9"), ("\t", "61.9"), (";", "61.9"), ("\t", "61,9")])
def test_other_delimiters_are_read_with_their_decimal_comma(csv: Path, mark: str, number: str) -> None:
    found = read(csv, "time,probe,depth_cm,celsius\n2026-01-01T00:00:00Z,A,45,@\n".replace(",", mark).replace("@", number))  # fmt: skip
    assert found.curves[key("A", "45")].value.tolist() == [61.9]


def test_a_byte_order_mark_and_windows_line_ends_are_no_matter(csv: Path) -> None:
    csv.write_bytes(b"\xef\xbb\xbftime,probe,depth_cm,celsius\r\n2026-01-01T00:00:00Z,A,45,50\r\n\r\n")
    assert read_readings(csv).curves[key("A", "45")].value.tolist() == [50.0]


def test_every_way_of_writing_an_instant_means_that_instant(csv: Path) -> None:
    texts = [
        "2026-01-01T00:00:00Z",
        "2026-01-01 01:10+01:00",
        "2026-01-01T00:20:00.250+0000",
        "20260101T003000Z",
    ]
    found = read(csv, LONG + "".join(f"{text},A,45,50\n" for text in texts))
    start = parse_time("2026-01-01T00:00:00Z")
    assert found.curves[key("A", "45")].at.tolist() == [
        start, start + 10 * MINUTE, start + 20 * MINUTE + 250, start + 30 * MINUTE,
    ]  # fmt: skip


def test_times_without_an_offset_need_a_zone(csv: Path) -> None:
    with pytest.raises(FileError, match=r"line 3: '2026-01-01T00:10:00' has no UTC offset; .*--zone"):
        read(csv, f"{LONG}2026-01-01T00:00:00Z,A,45,50\n2026-01-01T00:10:00,A,45,50\n")
    found = read(csv, f"{LONG}2026-07-01T02:00:00,A,45,50\n", zone="Europe/Dublin")
    assert iso(found.curves[key("A", "45")].at.tolist()[0]) == "2026-07-01T01:00:00Z"


def test_a_date_alone_has_no_offset_for_all_its_dashes(csv: Path) -> None:
    with pytest.raises(FileError, match="has no UTC offset"):
        read(csv, f"{LONG}2026-01-01,A,45,50\n")


def test_an_unknown_zone_is_said(csv: Path) -> None:
    with pytest.raises(FileError, match="no time zone called 'Mars/North'"):
        read(csv, f"{LONG}2026-01-01T00:00:00,A,45,50\n", zone="Mars/North")


def test_a_wrong_time_names_its_line(csv: Path) -> None:
    with pytest.raises(FileError, match="line 4: 'yesterday' is not an ISO 8601 time"):
        read(csv, f"{LONG}2026-01-01T00:00:00Z,A,45,50\n\nyesterday,A,45,50\n")


def test_the_autumn_night_has_its_hour_twice(csv: Path) -> None:
    """Europe/Dublin, 25 October 2026: 02:00 summer time is 01:00 again."""
    walls = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    found = read(csv, LONG + "".join(f"2026-10-25T{wall}:00,A,45,5{i}\n" for i, wall in enumerate(walls)), "Europe/Dublin")  # fmt: skip
    assert np.diff(found.curves[key("A", "45")].at).tolist() == [30 * MINUTE] * 5
    assert found.differing == 0


def test_the_spring_night_lacks_an_hour(csv: Path) -> None:
    """Europe/Dublin, 29 March 2026: 01:00 is followed by 02:00 summer time."""
    found = read(csv, f"{LONG}2026-03-29T00:30:00,A,45,50\n2026-03-29T02:30:00,A,45,50\n", "Europe/Dublin")
    assert np.diff(found.curves[key("A", "45")].at).tolist() == [HOUR]
    skipped = read(csv, f"{LONG}2026-03-29T01:30:00,A,45,50\n", "Europe/Dublin")
    assert iso(skipped.curves[key("A", "45")].at.tolist()[0]) == "2026-03-29T01:30:00Z"


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "no header"),
        (b"time,probe,depth_cm,celsius\n", "no readings"),
        (b"when,probe,celsius\n1,2,3\n", "no time column"),
        (b"time\n2026-01-01T00:00:00Z\n", "cannot tell how columns are divided"),
        (b"time,time\n2026-01-01T00:00:00Z,1\n", "name of its own"),
        (b"time,probe,celsius,fahrenheit\n1,2,3,4\n", "both celsius and fahrenheit"),
        (b"time,probe,depth_cm,celsius\n2026-01-01T00:00:00Z,A,45,50\n2026-01-01T00:00:00Z,A,45,6,7\n", "line 3, saw 5"),
        (b"time,probe,depth_cm,celsius\n2026-01-01T00:00:00Z,A,45,61,9\n", "more cells than names .a decimal comma"),
        (b"time,probe,depth_cm,celsius\n2026-01-01T00:00:00Z,\xff,45,50\n", "UTF-8"),
        (b"PK\x03\x04\x00\x00\x00", "not a text file"),
        ("time,probe\n".encode("utf-16"), "UTF-8"),
    ],
)  # fmt: skip
def test_what_is_no_readings_file_is_refused_in_one_line(csv: Path, content: bytes, why: str) -> None:
    csv.write_bytes(content)
    with pytest.raises(FileError, match=why) as error:
        read_readings(csv)
    assert "\n" not in str(error.value)


def test_a_file_that_is_not_there_is_said(csv: Path) -> None:
    with pytest.raises(FileError, match="cannot be read: No such file"):
        read_readings(csv)


def test_a_line_cut_short_by_a_dead_logger_is_a_fault(csv: Path) -> None:
    found = read(csv, f"{LONG}2026-01-01T00:00:00Z,A,45,50\n2026-01-01T00:10:00Z,A,45\n")
    assert found.faults == {key("A", "45"): 1}


def test_a_delimiter_at_the_end_of_every_line_is_no_column(csv: Path) -> None:
    found = read(csv, "time,probe,celsius,\n2026-01-01T00:00:00Z,A,50,\n")
    assert found.curves[key("A")].value.tolist() == [50.0]


def test_turns_are_read_with_and_without_a_header(tmp_path: Path) -> None:
    file = tmp_path / "turns.csv"
    file.write_text('time,note\n2026-01-05T08:00:00Z,"wet, so straw"\n2026-01-02T08:00:00Z\n', "utf-8")
    turns = read_turns(file)
    assert [(iso(turn.at), turn.note) for turn in turns] == [
        ("2026-01-02T08:00:00Z", ""), ("2026-01-05T08:00:00Z", "wet, so straw"),
    ]  # fmt: skip
    file.write_text("2026-07-02T08:00\n", "utf-8")
    assert [iso(turn.at) for turn in read_turns(file, zone="Europe/Dublin")] == ["2026-07-02T07:00:00Z"]
    file.write_text("time\n2026-07-02T08:00\n", "utf-8")
    with pytest.raises(FileError, match=r"line 2: .* has no UTC offset"):
        read_turns(file)


def test_progress_is_told_in_rows(csv: Path) -> None:
    csv.write_text(f"{LONG}2026-01-01T00:00:00Z,A,45,50\n", "utf-8")
    told: list[int] = []
    read_readings(csv, progress=told.append)
    assert told == [1]
