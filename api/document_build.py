"""How the pile was built, on the batch record: two lines on the page, the amounts and ticks in the appendix."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, TypeGuard

from api.document_words import NONE, Words
from shared.build_record import BuildRecord, build_of, checked_of
from shared.mix.checklist import DAY_WORDS, STEPS
from shared.piles import FieldNote, Pile
from shared.units import KG_PER_LB, LITRES_PER_CUBIC_YARD

if TYPE_CHECKING:
    from shared.heat.report import HeatReport

STUFFS_ON_PAGE = 6


def build_data(report: HeatReport, pile: Pile, notes: Sequence[FieldNote], words: Words) -> dict[str, Any]:
    mix, record = pile.mix or {}, build_of(notes)
    return {
        "build_page": list(_page(report, mix, record, words)),
        "stuffs": [
            [str(one.get("name", "")), _mass(one, words), _volume(one, words), str(one.get("planned", NONE))]
            for one in _stuffs(mix)
        ],
        "build_words": list(_figures(mix)),
        "known": [
            f"{one.feedstock}: {one.asks} {one.text or 'no answer'} ({one.verdict})."
            for one in (record.answers if record else ())
        ],
        "checklist": list(_ticks(notes, words)),
    }


def _page(
    report: HeatReport, mix: dict[str, Any], record: BuildRecord | None, words: Words
) -> Iterable[tuple[str, str]]:
    stuffs = _stuffs(mix)
    parts = [_first(mix.get("name"))]
    parts += [f"{one.get('name', '')} {_amount(one, words)}".strip() for one in stuffs[:STUFFS_ON_PAGE]]
    parts += [f"and {len(stuffs) - STUFFS_ON_PAGE} more"] if len(stuffs) > STUFFS_ON_PAGE else []
    said = ", ".join(part for part in parts if part)
    if _is_number(ratio := mix.get("carbon_to_nitrogen")):
        said += f"; C:N {ratio:.0f}{' (rough)' if mix.get('rough') else ''}"
    if _is_number(moisture := mix.get("moisture_percent")):
        said += f"; {moisture:.0f} % water as built"
    if said:
        yield "mix", said.lstrip("; ")
    if record is not None:
        air = "" if record.air_c is None else words.temperature(record.air_c)
        weather = " ".join(part for part in (record.weather, air) if part)
        built = [record.by, weather, f"covered: {record.cover}" if record.cover else ""]
        built += [f"{record.water_l:g} L of water put in"] if record.water_l else []
        if any(built):
            yield "built by", "; ".join(part for part in built if part)
    if report.moisture.at is not None or report.moisture.watered_l:
        yield "moisture", words.local(report.moisture.words)
    if report.coverage.note:
        yield "read by", report.coverage.note


def _figures(mix: dict[str, Any]) -> Iterable[str]:
    if _is_number(air := mix.get("free_air_space_percent")):
        yield (
            f"Free air space about {air:.0f} % (estimate: volumes added up, particle densities after Richard and others, "
            "2004, from memory, unverified)."
        )
    warnings = mix.get("warnings")
    for line in warnings if isinstance(warnings, list) else []:
        yield str(line)


def _ticks(notes: Sequence[FieldNote], words: Words) -> Iterable[str]:
    done = checked_of(notes)
    for step in STEPS:
        if step.id in done:
            note = done[step.id]
            yield f"{DAY_WORDS[step.day]}: {step.text} Ticked {words.time(note.at)}{f' by {note.by}' if note.by else ''}."


def _stuffs(mix: dict[str, Any]) -> list[dict[str, Any]]:
    found = mix.get("feedstocks")
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _amount(one: dict[str, Any], words: Words) -> str:
    return _mass(one, words) if _is_number(one.get("mass_kg")) else _volume(one, words).replace(NONE, "")


def _mass(one: dict[str, Any], words: Words) -> str:
    mass = one.get("mass_kg")
    if not _is_number(mass):
        return NONE
    return (
        f"{mass / KG_PER_LB:.0f} lb"
        if words.units == "fahrenheit"
        else f"{mass:.{1 if mass < 10 else 0}f} kg"
    )


def _volume(one: dict[str, Any], words: Words) -> str:
    volume = one.get("volume_l")
    if not _is_number(volume):
        return NONE
    return f"{volume / LITRES_PER_CUBIC_YARD:.2f} cu yd" if words.units == "fahrenheit" else f"{volume:.0f} L"


def _first(value: object) -> str:
    return value if isinstance(value, str) else ""


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
