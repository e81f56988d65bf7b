from __future__ import annotations

import pytest

from alerts.wording import TELLERS
from shared.episodes import NoticeKind
from shared.languages import languages
from tests.alerts.wording.golden_sheets import FOLDER, file_of, sheet, variants_sheet


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("kind", TELLERS)
def test_every_kind_reads_as_its_golden_file(kind: NoticeKind, language: str) -> None:
    assert sheet(kind, language) == file_of(kind, language).read_text("utf-8")


@pytest.mark.parametrize("language", languages())
def test_the_rarer_cases_read_as_their_golden_file(language: str) -> None:
    assert variants_sheet(language) == file_of("variants", language).read_text("utf-8")


def test_no_golden_file_is_left_over() -> None:
    wanted = {file_of(kind, language) for kind in (*TELLERS, "variants") for language in languages()}
    assert set(FOLDER.glob("*.txt")) == wanted
