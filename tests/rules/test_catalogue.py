"""Rules and guides come from files; a user's own are checked and refused with the line."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.heat.catalogue import Catalogue, CatalogueError, UnknownId
from shared.heat.guide import Guide, Rung

RULE = """\
id = "own-rule"
title = "Our own"
edition = "house rule, 2026"
source = "the yard"
source_status = "common practice"

[[alternative]]
at_least_c = 55
days = 3

[[alternative]]
at_least_c = 65
hours = 12
"""
GUIDE = """\
id = "own-guide"
title = "Our own"
source = "the yard"
source_status = "common practice"
required_turns = 2

[[rungs]]
from_c = 55
hold_h = 60

[[rungs]]
from_c = 65
hold_h = 20
"""


@pytest.fixture
def data(tmp_path: Path) -> Path:
    (tmp_path / "rules").mkdir()
    (tmp_path / "guides").mkdir()
    return tmp_path


def test_a_rule_file_of_the_users_stands_beside_ours(data: Path) -> None:
    (data / "rules" / "own.toml").write_text(RULE, "utf-8")
    catalogue = Catalogue.load(data)
    assert catalogue.rule("own-rule").alternative[1].need_ms == 12 * 3_600_000
    assert "us-503-psrp" in catalogue.rules


def test_a_guide_marked_default_takes_over(data: Path) -> None:
    assert Catalogue.load().default_guide.id == "three-turns"
    (data / "guides" / "own.toml").write_text("default = true\n" + GUIDE, "utf-8")
    catalogue = Catalogue.load(data)
    assert catalogue.default_guide.id == "own-guide"
    assert catalogue.guide(None) is catalogue.default_guide
    assert catalogue.guide("three-turns").required_turns == 3


def test_a_file_with_our_id_takes_its_place(data: Path) -> None:
    changed = GUIDE.replace("own-guide", "three-turns").replace("required_turns = 2", "required_turns = 4")
    (data / "guides" / "three.toml").write_text(changed, "utf-8")
    assert Catalogue.load(data).guides["three-turns"].required_turns == 4
    assert Catalogue.load(data).default_guide.id == "three-turns"


def test_no_folder_of_ones_own_is_fine(tmp_path: Path) -> None:
    assert Catalogue.load(tmp_path / "nowhere").rules == Catalogue.load().rules


@pytest.mark.parametrize(
    ("wrong", "right", "line", "why"),
    [
        ("days = 3", "days = -3", 9, "alternative.1.days"),
        ("hours = 12", "hours = 12\ndays = 1", 11, "either days or hours"),
        ("hours = 12", 'hours = "long"', 13, "alternative.2.hours"),
        ("at_least_c = 65", "at_least_k = 338", 11, "alternative.2.at_least_c: this key is missing"),
        ('title = "Our own"', 'titel = "Our own"', 1, "title: this key is missing"),
        ('edition = "house rule, 2026"', 'edition = "house rule"\nstrict = true', 4, "strict: no such key"),
        ('id = "own-rule"', 'id = "Own Rule"', 1, "id"),
        ('source_status = "common practice"', 'source_status = "hearsay"', 5, "source_status"),
        ("at_least_c = 65", "at_least_c = 65\nup_to_c = 60", 11, "not above 65"),
        ("days = 3", "days = ", 9, "not TOML"),
        ("at_least_c = 55", "at_least_c = nan", 8, "finite"),
    ],
)  # fmt: skip
def test_a_bad_rule_is_refused_with_the_line(data: Path, wrong: str, right: str, line: int, why: str) -> None:
    file = data / "rules" / "own.toml"
    file.write_text(RULE.replace(wrong, right), "utf-8")
    with pytest.raises(CatalogueError) as error:
        Catalogue.load(data)
    assert (error.value.file, error.value.line) == (str(file), line)
    assert why in error.value.why
    assert str(error.value).startswith(f"{file}, line {line}: ")
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("wrong", "right", "line", "why"),
    [
        ("from_c = 65", "from_c = 50", 7, "rungs must climb"),
        ("hold_h = 20", "hold_h = 70", 7, "cannot hold longer"),
        ("hold_h = 20", "hold_h = -1", 13, "rungs.2.hold_h"),
        ("required_turns = 2", "", 1, "required_turns: this key is missing"),
    ],
)
def test_a_bad_guide_is_refused_with_the_line(
    data: Path, wrong: str, right: str, line: int, why: str
) -> None:
    (data / "guides" / "own.toml").write_text(GUIDE.replace(wrong, right), "utf-8")
    with pytest.raises(CatalogueError) as error:
        Catalogue.load(data)
    assert error.value.line == line
    assert why in error.value.why


def test_two_files_of_one_id_are_refused(data: Path) -> None:
    (data / "rules" / "a.toml").write_text(RULE, "utf-8")
    (data / "rules" / "b.toml").write_text(f"# another\n{RULE}", "utf-8")
    with pytest.raises(CatalogueError, match=r"b\.toml, line 2: id: 'own-rule' is another file's too"):
        Catalogue.load(data)


def test_what_is_no_text_is_refused(data: Path) -> None:
    (data / "rules" / "own.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(CatalogueError, match="UTF-8"):
        Catalogue.load(data)


def test_an_unknown_id_names_those_there_are() -> None:
    with pytest.raises(UnknownId, match="no rule called 'us-503'; there are au-4454, "):
        Catalogue.load().rule("us-503")


def test_the_turning_table_is_that_of_the_sheet() -> None:
    """Common practice; only the 24 h at about 70 °C rung was found in writing."""
    guide = Catalogue.load().default_guide
    assert guide.rungs == (
        Rung(from_c=55, hold_h=72), Rung(from_c=60, hold_h=48), Rung(from_c=65, hold_h=24), Rung(from_c=70, hold_h=0),
    )  # fmt: skip
    assert [guide.hold_h(celsius) for celsius in (54.9, 55, 59.9, 60, 65, 69.9, 70, 80)] == [
        None, 72, 72, 48, 24, 24, 0, 0,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("hours", "load", "counts"),
    [(72.0, 1.0, True), (71.9, 0.99, False), (24.0, 1.0, True), (None, None, False), (0.0, 0.0, False)],
)
def test_a_turn_counts_after_enough_hours_or_when_the_table_called_for_it(
    hours: float | None, load: float | None, counts: bool
) -> None:
    assert Catalogue.load().default_guide.turn_counts(hours, load) is counts


def test_a_guide_without_least_hours_still_wants_some_heat() -> None:
    guide: Guide = Catalogue.load().guide("five-turns")
    assert not guide.turn_counts(0.0, 0.0)
    assert guide.turn_counts(0.1, 0.0)
