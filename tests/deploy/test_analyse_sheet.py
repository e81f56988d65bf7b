"""``turnbell analyse --format pdf``."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import pypdf
import pytest

from tests.deploy.analyse_files import invoke, write_record


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return tmp_path / "record.csv"


def test_the_sheet_is_one_page_and_an_appendix(record: Path, tmp_path: Path) -> None:
    turned = write_record(record, 15, 58, (3, 6, 9, 12, 14.5))
    out = tmp_path / "sheet.pdf"
    arguments = ("--turns", turned, "--rule", "us-503-pfrp-windrow", "--format", "pdf", "--out", out)
    assert invoke(record, *arguments).exit_code == 0
    first = out.read_bytes()
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(first)).pages]
    page = " ".join(pages[0].split())
    for said in ("Heat record of record.csv", "5 recorded", "Between turns", "supported", "no certificate"):
        assert said in page
    assert "Appendix: what the page rests on" not in page
    appendix = " ".join(" ".join(pages[1:]).split())
    for said in ("Appendix: what", "How each rule was read", "the coldest decides", "Definitions", "SHA-256"):
        assert said in appendix
    assert invoke(record, *arguments).exit_code == 0
    assert out.read_bytes() == first, "the same record gives the same sheet"


def test_a_pdf_has_the_hash_of_the_file(record: Path, tmp_path: Path) -> None:
    write_record(record, 1, 58)
    out = tmp_path / "sheet.pdf"
    invoke(record, "--format", "pdf", "--out", out)
    text = "".join(page.extract_text() for page in pypdf.PdfReader(out).pages)
    assert hashlib.sha256(record.read_bytes()).hexdigest() in text.replace("\n", "")
