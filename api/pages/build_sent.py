"""What the build form was sent with, read for the same functions that the JSON routes are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from starlette.datastructures import FormData, UploadFile

from api.pages.forms import instant_text, number, read
from api.pages.mix_form import FormRow, form_of, recipe_of
from api.pages.view import View
from api.photos import as_jpeg
from api.problems import ProblemError
from api.v1 import builds, field_notes, piles
from api.v1.mix import work_out
from shared.build_record import mix_as_built
from shared.mix.plan import MixAnswer
from shared.own_feedstocks import all_rows
from shared.piles import NoteKind
from shared.times import Millis
from shared.units import celsius

Text = Callable[[str], str]
FirstNote = tuple[NoteKind, dict[str, Any], str]
BuiltMix = tuple[MixAnswer | None, dict[str, Any] | None]
NAMES = {
    "site": "site", "peg": "peg", "built_at": "built_at", "kind": "kind", "volume": "volume_l", "volume_l": "volume_l",
    "rule_ids": "rule_ids", "guide_id": "guide_id", "by": "by", "weather": "weather", "air temperature": "air",
    "air_c": "air", "water": "water_l", "water_l": "water_l", "cover": "cover", "text": "text", "feel": "feel",
    "first reading": "first", "celsius": "first", "fahrenheit": "first", "depth": "first_depth",
    "depth_cm": "first_depth",
}  # fmt: skip


def texts(sent: FormData) -> Text:
    def text(name: str) -> str:
        found = sent.get(name, "")
        return found.strip() if isinstance(found, str) else ""

    return text


def pile_of(view: View, sent: FormData, zone: str, volume_l: float | None) -> piles.PileIn:
    """``volume_l``: what stands in for a volume that was left empty."""
    text = texts(sent)
    volume = number(text("volume_l"), "volume")
    return read(
        piles.PileIn,
        site=text("site"),
        peg=text("peg"),
        built_at=instant_text(text("built_at"), zone, view.now),
        kind=text("kind") or None,
        volume_l=volume if volume is not None else volume_l,
        rule_ids=[str(one) for one in sent.getlist("rule_ids")],
        guide_id=text("guide_id") or None,
    )


def mix_of(view: View, sent: FormData) -> BuiltMix:
    """As built, from the amounts that really went in; what was planned stays beside what it was planned for."""
    form = form_of(sent)
    plans = [one for one in sent.getlist("planned") if isinstance(one, str)]
    plans += [""] * len(form.rows)
    went_in = [
        (row, plan)
        for row, plan in zip(form.rows, plans, strict=False)
        if not row.empty and not _is_none(row)
    ]
    if not went_in:
        return None, None
    form = replace(form, rows=[row for row, _ in went_in])
    answer = work_out(recipe_of(form, all_rows(view.parts.registry)), view.parts)
    water = number(texts(sent)("water_l"), "water")
    return answer, mix_as_built(
        answer, water, [asdict(row) for row in form.rows], [plan for _, plan in went_in]
    )


def row_of(sent: FormData) -> Callable[[str, str], str]:
    """Which line of the form a message is about: ``stuff-0``; ``stuff`` when it is about the mix."""
    rows = form_of(sent).rows

    def place(where: str, why: str) -> str:
        for index, row in enumerate(rows):
            name = row.name.strip()
            if name and (where.startswith(f"{name}:") or why.startswith(f"{name}:")):
                return f"stuff-{index}"
        nameless = [index for index, row in enumerate(rows) if not row.empty and not row.name.strip()]
        return f"stuff-{nameless[0]}" if nameless else "stuff"

    return place


def _is_none(row: FormRow) -> bool:
    """A feedstock of which nothing went in after all."""
    return number(row.amount, f"{row.name.strip()}: amount") == 0


def asked_of(view: View, sent: FormData) -> builds.BuildIn:
    text = texts(sent)
    air = number(text("air"), "air temperature")
    return read(
        builds.BuildIn,
        by=text("by"),
        weather=text("weather"),
        air_c=air if air is None or view.units == "celsius" else celsius(air),
        water_l=number(text("water_l"), "water"),
        cover=text("cover"),
        text=text("text"),
    )


def first_notes(view: View, sent: FormData, built_at: Millis) -> list[FirstNote]:
    """The squeeze test, the cover and the first reading, as the field log keeps them."""
    text = texts(sent)
    found: list[FirstNote] = []
    at = instant_text("", "UTC", built_at)
    if text("feel"):
        squeeze = read(field_notes.SqueezeNote, kind="squeeze", at=at, feel=text("feel"))
        found.append(("squeeze", field_notes.figures_of(squeeze), "at the build"))
    if text("cover"):
        found.append(("cover", {}, text("cover")))
    first = number(text("first"), "first reading")
    if first is not None:
        depth = number(text("first_depth"), "depth")
        given: dict[str, Any] = {"kind": "hand_reading", "at": at, "depth_cm": depth, view.units: first}
        reading = read(field_notes.HandReadingNote, **given)
        found.append(("hand_reading", field_notes.figures_of(reading), "first reading"))
    return found


def photo_of(sent: FormData) -> bytes | None:
    photo = sent.get("photo")
    raw = photo.file.read() if isinstance(photo, UploadFile) else b""
    if len(raw) > 12 * 2**20:
        raise ProblemError(413, "The picture is larger than 12 MiB.")
    return as_jpeg(raw) if raw else None
