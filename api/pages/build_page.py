"""From a mix to a pile: what really went in, who built it, and what to see to around it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import asdict, fields, replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData, UploadFile

from api.auth import Helper, Manager
from api.pages.forms import instant_text, number, read
from api.pages.mix_form import UNITS, FormRow, MixForm, form_of, recipe_of
from api.pages.mix_page import worked_out
from api.pages.view import AnyView, View
from api.photos import as_jpeg
from api.problems import ProblemError
from api.v1 import builds, field_notes, piles
from api.v1.mix import work_out
from shared.build_record import build_of, check_note, mix_as_built
from shared.ids import new_id
from shared.mix.checklist import DAY_WORDS, STEPS
from shared.mix.plan import FeedstockShare, MixAnswer
from shared.own_feedstocks import all_rows
from shared.piles import FieldNote, NoteKind, Pile
from shared.times import Millis
from shared.units import celsius

router = APIRouter(include_in_schema=False)
BUILT_UNITS = {id_: word for id_, word in UNITS.items() if id_ != "free" and not id_.startswith("have")}


async def whole_form(request: Request) -> AsyncIterator[FormData]:
    async with request.form() as sent:
        yield sent


Sent = Annotated[FormData, Depends(whole_form)]


@router.get("/piles/build")
def build_form(view: AnyView, _: Manager) -> Response:
    sites = view.parts.registry.sites.all()
    if not sites:
        return view.back("/setup", "A pile stands on a site: name the site first.")
    form = form_of(view.request.query_params)
    answer, wrong = worked_out(view, form)
    return _page(view, form, answer, sites=sites, wrong=wrong, pile=None, record=None)


@router.get("/piles/{pile_id}/build")
def correct_form(pile_id: str, view: AnyView, _: Manager) -> Response:
    pile = view.parts.registry.piles.get(pile_id)
    form = MixForm(_kept_rows(pile.mix or {}), name=str((pile.mix or {}).get("name") or ""))
    record = build_of(view.parts.registry.piles.notes(pile.id))
    return _page(view, form, None, sites=[], wrong="", pile=pile, record=record)


def _kept_rows(mix: dict[str, Any]) -> list[FormRow]:
    """The lines that the mix was worked out from, else what its feedstocks weigh; a mix may come from anywhere."""
    names = {one.name for one in fields(FormRow)}
    rows, stuff = mix.get("rows"), mix.get("feedstocks")
    if isinstance(rows, list) and rows:
        return [
            FormRow(**{key: str(text) for key, text in row.items() if key in names})
            for row in rows
            if isinstance(row, dict)
        ]
    found = [one for one in stuff if isinstance(one, dict)] if isinstance(stuff, list) else []
    return [
        FormRow(str(one.get("name", "")), f"{one['mass_kg']:g}")
        for one in found
        if _is_number(one.get("mass_kg"))
    ]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _page(view: View, form: MixForm, answer: MixAnswer | None, **more: Any) -> Response:
    shares = answer.feedstocks if answer is not None else []
    used = [pair for pair in zip(form.filled, shares, strict=False) if pair[1].mass_kg != 0]
    rows = [_planned(row, share) for row, share in used] or [(row, "") for row in form.shown]
    return view.page(
        "build.html",
        form=form,
        rows=rows,
        answer=answer,
        units_of=BUILT_UNITS,
        table=sorted(all_rows(view.parts.registry).values(), key=lambda row: row.name),
        catalogue=view.parts.catalogue,
        steps=[step for step in STEPS if step.day != "after"],
        days=DAY_WORDS,
        query=view.request.url.query,
        **more,
    )


def _planned(row: FormRow, share: FeedstockShare) -> tuple[FormRow, str]:
    """The line to fill in, set to what the plan says, and the plan in words."""
    found = asdict(row)
    if share.buckets is not None:
        amount, unit = f"{share.buckets:.1f}", "buckets"
    elif share.mass_kg is not None:
        amount, unit = f"{share.mass_kg:.1f}", "kg"
    elif share.parts is not None:
        amount, unit = f"{share.parts:g}", "parts"
    else:
        return FormRow(**found | {"unit": "kg"}), ""
    return FormRow(**found | {"amount": amount, "unit": unit}), f"{amount} {unit}"


@router.post("/piles/build")
def build(view: AnyView, caller: Manager, sent: Sent) -> RedirectResponse:
    text = _texts(sent)
    registry = view.parts.registry
    zone = registry.sites.get(text("site")).zone
    answer, mix = _mix(view, sent)
    asked = _asked(view, text)
    record = builds.record_of(asked, answer, view.parts, caller.name)
    volume = number(text("volume_l"), "volume")
    pile_in = read(
        piles.PileIn,
        site=text("site"),
        peg=text("peg"),
        built_at=instant_text(text("built_at"), zone, view.now),
        kind=text("kind") or None,
        volume_l=volume if volume is not None or answer is None else answer.volume_l,
        rule_ids=[str(one) for one in sent.getlist("rule_ids")],
        guide_id=text("guide_id") or None,
    )
    notes = _first_notes(view, text, pile_in.built_at)
    photo = _photo(sent)
    with registry.begin() as tx:
        made = piles.new_pile(tx, pile_in, view.parts)
        builds.keep_build(tx, made, record, mix, view.parts)
        for kind, figures, words in notes:
            tx.piles.add_note(_note(made, kind, made.built_at, figures, words, record.by, view.now))
        steps = [str(step) for step in sent.getlist("step")]
        if steps:
            tx.piles.add_note(check_note(made.id, steps, caller.name, view.now))
        if photo:
            note = _note(made, "photo", made.built_at, {}, "at the build", record.by, view.now)
            tx.piles.add_note(note)
            tx.piles.save_photo(note.id, photo)
    return view.back(f"/piles/{made.id}", f"{made.peg} is built. Peg it, and print its label.")


@router.post("/piles/{pile_id}/build")
def correct(pile_id: str, view: AnyView, caller: Manager, sent: Sent) -> RedirectResponse:
    pile = view.parts.registry.piles.get(pile_id)
    answer, mix = _mix(view, sent)
    record = builds.record_of(_asked(view, _texts(sent)), answer, view.parts, caller.name)
    with view.parts.registry.begin() as tx:
        builds.keep_build(tx, pile, record, mix, view.parts)
    return view.back(f"/piles/{pile.id}#h-build", f"{pile.peg}: build record kept.")


@router.post("/piles/{pile_id}/checklist")
def tick(
    pile_id: str, view: AnyView, caller: Helper, step: Annotated[list[str] | None, Form()] = None
) -> RedirectResponse:
    if not step:
        return view.back(f"/piles/{pile_id}#h-build", "Nothing was ticked.")
    builds.post_checklist(pile_id, read(builds.CheckIn, steps=step), view.parts, caller)
    return view.back(f"/piles/{pile_id}#h-build", "Ticked.")


def _texts(sent: FormData) -> Any:
    def text(name: str) -> str:
        found = sent.get(name, "")
        return found.strip() if isinstance(found, str) else ""

    return text


def _mix(view: View, sent: FormData) -> tuple[MixAnswer | None, dict[str, Any] | None]:
    """As built, from the amounts that really went in."""
    form = form_of(sent)
    form = replace(form, rows=[row for row in form.filled if not _is_none(row)])
    if not form.filled:
        return None, None
    answer = work_out(recipe_of(form, all_rows(view.parts.registry)), view.parts)
    water = number(_texts(sent)("water_l"), "water")
    planned = [str(one) for one in sent.getlist("planned")]
    return answer, mix_as_built(answer, water, [asdict(row) for row in form.filled], planned)


def _is_none(row: FormRow) -> bool:
    """A feedstock of which nothing went in after all."""
    return number(row.amount, f"{row.name}: amount") == 0


def _asked(view: View, text: Any) -> builds.BuildIn:
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


def _first_notes(view: View, text: Any, built_at: Millis) -> list[tuple[NoteKind, dict[str, Any], str]]:
    """The squeeze test, the cover and the first reading, as the field log keeps them."""
    found: list[tuple[NoteKind, dict[str, Any], str]] = []
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


def _note(
    pile: Pile, kind: NoteKind, at: Millis, figures: dict[str, Any], words: str, by: str, now: Millis
) -> FieldNote:
    return FieldNote(new_id(now), pile.id, kind, at, text=words, figures=figures, by=by)


def _photo(sent: FormData) -> bytes | None:
    photo = sent.get("photo")
    raw = photo.file.read() if isinstance(photo, UploadFile) else b""
    if len(raw) > 12 * 2**20:
        raise ProblemError(413, "The picture is larger than 12 MiB.")
    return as_jpeg(raw) if raw else None
