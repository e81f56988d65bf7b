"""A site file that is broken is refused with its line, and nothing of it is brought."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from deploy.cli import run
from tests.keeping.site_made import everything, fact, line, other_yard, remade


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        ("readings/P1.csv", line(17, "2024-03-01T09:00:00Z,45,temperature,hot,0"), "readings/P1.csv, line 17: could not"),
        ("readings/P1.csv", line(18, "yesterday,45,temperature,50.0,0"), "readings/P1.csv, line 18: 'yesterday' is not"),
        ("readings/P1.csv", line(19, "2024-03-01T09:00:00Z,45,temperature,50.0"), "line 19: 5 cells are wanted, not 4"),
        ("readings/P1.csv", line(20, "2024-03-01T09:00:00Z,45,joy,50.0,0"), "line 20: no quantity is called 'joy'"),
        ("readings/P1.csv", line(21, "2024-03-01T09:00:00Z,45,temperature,nan,0"), "line 21: nan is no reading"),
        ("readings/P1.csv", line(22, "2024-03-01T09:00:00Z,45.0,temperature,50.0,0"), "line 22: depth '45.0'"),
        ("readings/P1.csv", line(1, "a,b"), "line 1: the columns time, depth"),
        ("site.json", line(3, "oops"), "site.json, line 3:"),
        ("site.json", fact("piles.0.built_at", "then"), "site.json, piles[0]: 'then' is not"),
        ("site.json", fact("piles.1.volume_l", "much"), "site.json, piles[1].volume_l:"),
        ("site.json", fact("turns.0.pile_id", "gone"), "turns[0]: there is no pile 'gone'"),
        ("site.json", fact("probes.0.site", "hill"), "probes[0]: it is of another site"),
        ("site.json", fact("placements.2.span", {"from": "2024-03-02T00:00:00Z", "to": None}), "P1"),
        ("site.json", fact("parts", {"../../evil.toml": "0"}), "is no part of a site"),
        ("site.json", fact("turnbell_site", 2), "newer version"),
        ("site.json", fact("people", "Ann"), "people: a list is wanted"),
    ],
)  # fmt: skip
def test_a_broken_file_is_refused_with_its_line_and_nothing_is_brought(
    file: Path,
    tmp_path: Path,
    name: str,
    change: Callable[[bytes], bytes],
    words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    new = tmp_path / "new"
    other_yard(new)
    before = everything(new)
    broken = remade(file, tmp_path / "broken.zip", name, change)
    assert run(["site", "import", str(broken), "--data", str(new)]) == 2
    err = capsys.readouterr().err
    assert words in err
    assert err.count("\n") == 1
    assert everything(new) == before


def test_what_was_changed_on_the_way_or_cut_short_is_refused(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "new"
    changed = remade(
        file, tmp_path / "a.zip", "readings/P1.csv", lambda one: one.replace(b"5", b"6", 1), sums=False
    )
    assert run(["site", "import", str(changed), "--data", str(new)]) == 2
    assert "readings/P1.csv is not what was written" in capsys.readouterr().err
    (tmp_path / "b.zip").write_bytes(file.read_bytes()[:-500])
    assert run(["site", "import", str(tmp_path / "b.zip"), "--data", str(new)]) == 2
    assert "no whole zip" in capsys.readouterr().err
    assert run(["site", "import", str(tmp_path / "none.zip"), "--data", str(new)]) == 2
    assert "no such file" in capsys.readouterr().err
