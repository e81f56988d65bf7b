from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from alerts.conditions.table import CONDITIONS, of_scope
from alerts.wording import TELLERS
from shared.episodes import NoticeKind
from tests.alerts.made import NOW, a_pile, a_report, a_snapshot

ROOT = Path(__file__).parents[3]
KINDS: tuple[NoticeKind, ...] = get_args(NoticeKind)


def test_the_table_lists_every_kind_once() -> None:
    assert sorted(CONDITIONS) == sorted(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_has_a_file_words_a_test_and_a_line_for_developers(kind: NoticeKind) -> None:
    assert (ROOT / "alerts" / "conditions" / f"{kind}.py").is_file()
    assert kind in TELLERS
    tests = "".join(file.read_text("utf-8") for file in Path(__file__).parent.glob("test_*.py"))
    assert re.search(rf"import [^\n]*\b{kind}\b", tests), f"no test of conditions imports {kind}"
    assert f"`{kind}`" in (ROOT / "DEVELOPERS.md").read_text("utf-8"), f"DEVELOPERS.md does not name {kind}"


def test_a_well_pile_has_no_bad_verdict_and_nothing_that_is_unknown_is_bad() -> None:
    well = a_snapshot(phase="hot", hottest_c=60.0)
    assert [v for c in of_scope("pile") for v in c.judge(well) if v.state == "bad"] == []
    pile = a_pile(built_at=NOW - 5 * 24 * 3_600_000)
    nothing = a_report(
        pile, hottest_c=None, load=None, state="none", phase="unknown", peak_c=None, sensors=[]
    )
    assert [
        v
        for c in of_scope("pile")
        for v in c.judge(a_snapshot(pile=pile, report=nothing))
        if v.state == "bad"
    ] == []


def test_the_same_snapshot_has_the_same_verdicts() -> None:
    snapshot = a_snapshot(state="due", load=1.0, due_at=NOW, risk="high", hottest_c=71.0)
    for condition in of_scope("pile"):
        assert condition.judge(snapshot) == condition.judge(snapshot)
