"""The record of one pile as a PDF: one page for the inspector, an appendix to check it by."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typst
import vl_convert

from api.document_facts import CYCLES_ON_PAGE, batch_data
from api.document_photos import PHOTOS_SHOWN, Photo, photo_data
from api.document_rules import ON_PAGE
from shared.charts import heat_curve_spec
from shared.heat.guide import Guide
from shared.heat.report import HeatReport
from shared.piles import Pile
from shared.units import Units

if TYPE_CHECKING:
    from shared.heat_book import PileHistory


LEGEND_ONE_ROW = 6
LETTERS_A_LINE = 110


class DocumentError(Exception):
    """The sheet could not be set."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How the sheet is written, and what it may say beside the report.

    ``title``: what stands at the top; ``site``: its name; ``rules``: ids of the only rules to show (none = all that the
    report has); ``hash_words`` and ``data_hash``: what the hash covers and the hash (None = of the readings, by the
    recipe in ``api.document_facts``); ``basis``: sentences on where the record comes from; ``guide``: the turning
    guide, written out among the definitions.
    """

    title: str
    site: str = ""
    zone: str = "UTC"
    units: Units = "celsius"
    paper: str = "a4"
    rules: Sequence[str] = ()
    basis: Sequence[str] = ()
    data_hash: str | None = None
    hash_words: str = ""
    guide: Guide | None = None


def batch_pdf(
    report: HeatReport, history: PileHistory, pile: Pile, setting: Setting, photos: Sequence[Photo] = ()
) -> bytes:
    """The same report, history, setting and photos give the same bytes."""
    has_curve = any(len(sensor.at) for sensor in history.sensors)
    shown = photos[-PHOTOS_SHOWN:]
    data = batch_data(report, history, pile, setting) | photo_data(photos, setting) | {"chart": has_curve}
    with tempfile.TemporaryDirectory(prefix="turnbell-") as folder:
        root = Path(folder)
        template = resources.files("api") / "templates" / "documents" / "batch.typ"
        (root / "batch.typ").write_bytes(template.read_bytes())
        (root / "data.json").write_text(json.dumps(data, ensure_ascii=False), "utf-8")
        for index, photo in enumerate(shown):
            (root / f"photo-{index}.jpg").write_bytes(photo.jpeg)
        if has_curve:
            (root / "chart.pdf").write_bytes(_chart(report, history, setting, _lines(data["build_page"])))
        return _compile(root)


def _lines(build: Sequence[tuple[str, str]]) -> int:
    """About how many lines of the page these take."""
    return sum(1 + len(text) // LETTERS_A_LINE for _, text in build)


def _compile(root: Path) -> bytes:
    try:
        return bytes(typst.compile(str(root / "batch.typ"), root=str(root), font_paths=_fonts(), timestamp=0))
    except typst.TypstError as error:
        raise DocumentError(f"the sheet could not be set: {error}") from error


@cache
def _fonts() -> Any:
    """Only the fonts that come with the typesetter: the sheet looks the same on every machine."""
    return typst.Fonts(include_system_fonts=False)


def _chart(report: HeatReport, history: PileHistory, setting: Setting, lines: int) -> bytes:
    many = len(report.sensors) > LEGEND_ONE_ROW
    rows = min(len(report.rules), ON_PAGE) * 2 + min(len(report.cycles), CYCLES_ON_PAGE)
    hot = report.risk.level in {"high", "danger"}
    height = min(420, max(130, 580 - 20 * rows - 18 * lines - 70 * hot + 60 * many))
    spec = heat_curve_spec(
        history, report, units=setting.units, zone=setting.zone, width=760, height=height, theme="light"
    )
    if many:
        spec["config"].setdefault("legend", {})["columns"] = 4
    return bytes(vl_convert.vegalite_to_pdf(spec, allowed_base_urls=[]))
