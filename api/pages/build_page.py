"""From a mix to a pile: what really went in, who built it, and what to see to around it."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import Annotated, Any

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData, QueryParams

from api.auth import Helper, Manager
from api.pages.build_sent import (
    NAMES,
    asked_of,
    first_notes,
    mix_of,
    photo_of,
    pile_of,
    row_of,
    texts,
)
from api.pages.forms import read
from api.pages.mix_form import UNITS, FormRow, MixForm, form_of
from api.pages.mix_page import worked_out
from api.pages.slips import Sent, Slips, Typed
from api.pages.view import AnyView, View
from api.v1 import builds, piles
from shared.build_record import build_of, check_note
from shared.ids import new_id
from shared.mix.checklist import DAY_WORDS, STEPS
from shared.mix.plan import FeedstockShare, MixAnswer
from shared.mix.recipe import MOST_FEEDSTOCKS
from shared.own_feedstocks import all_rows
from shared.piles import FieldNote, NoteKind, Pile
from shared.times import Millis

router = APIRouter(include_in_schema=False)
BUILT_UNITS = {id_: word for id_, word in UNITS.items() if id_ != "free" and not id_.startswith("have")}


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
    return _page(view, form, None, _plans(pile.mix or {}), sites=[], wrong="", pile=pile, record=record)


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


def _plans(mix: dict[str, Any]) -> dict[str, str]:
    stuff = mix.get("feedstocks")
    found = [one for one in stuff if isinstance(one, dict)] if isinstance(stuff, list) else []
    return {str(one.get("name", "")): str(one.get("planned", "")) for one in found}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _page(
    view: View, form: MixForm, answer: MixAnswer | None, plans: dict[str, str] | None = None, **more: Any
) -> Response:
    shares = answer.feedstocks if answer is not None else []
    used = [pair for pair in zip(form.filled, shares, strict=False) if pair[1].mass_kg != 0]
    plans = plans or {}
    rows = [_planned(row, share) for row, share in used] or [(r, plans.get(r.name, "")) for r in form.shown]
    return _show(view, form, rows, answer, Typed(), Slips(NAMES), query=view.request.url.query, **more)


def _show(
    view: View,
    form: MixForm,
    rows: list[tuple[FormRow, str]],
    answer: MixAnswer | None,
    typed: Typed,
    slips: Slips,
    **more: Any,
) -> Response:
    return view.page(
        "build.html",
        slips.status if slips.at else 200,
        form=form,
        rows=rows,
        answer=answer,
        typed=typed,
        slips=slips.at,
        units_of=BUILT_UNITS,
        table=sorted(all_rows(view.parts.registry).values(), key=lambda row: row.name),
        catalogue=view.parts.catalogue,
        steps=[step for step in STEPS if step.day != "after"],
        days=DAY_WORDS,
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
def build(view: AnyView, caller: Manager, sent: Sent) -> Response:
    registry, slips = view.parts.registry, Slips(NAMES)
    zone = registry.sites.get(texts(sent)("site")).zone
    mix = slips.trying(lambda: mix_of(view, sent), row_of(sent))
    answer, built_mix = mix or (None, None)
    volume_l = answer.volume_l if answer is not None else None
    pile_in = slips.trying(lambda: pile_of(view, sent, zone, volume_l), "built_at")
    asked = slips.trying(lambda: asked_of(view, sent), "text")
    built_at = pile_in.built_at if pile_in is not None else view.now
    notes = slips.trying(lambda: first_notes(view, sent, built_at), "first")
    photo = slips.trying(lambda: photo_of(sent), "photo")
    if slips.at or pile_in is None or asked is None or notes is None:
        return _again(view, sent, slips, None)
    record = builds.record_of(asked, answer, view.parts, caller.name)
    steps = [str(step) for step in sent.getlist("step")]

    def keep() -> Pile:
        with registry.begin() as tx:
            made = piles.new_pile(tx, pile_in, view.parts)
            builds.keep_build(tx, made, record, built_mix, view.parts)
            for kind, figures, words in notes:
                tx.piles.add_note(_note(made, kind, made.built_at, figures, words, record.by, view.now))
            if steps:
                tx.piles.add_note(check_note(made.id, steps, caller.name, view.now))
            if photo:
                note = _note(made, "photo", made.built_at, {}, "at the build", record.by, view.now)
                tx.piles.add_note(note)
                tx.piles.save_photo(note.id, photo)
        return made

    made = slips.trying(keep, "peg")
    if made is None:
        return _again(view, sent, slips, None)
    return view.back(f"/piles/{made.id}", f"{made.peg} is built. Peg it, and print its label.")


@router.post("/piles/{pile_id}/build")
def correct(pile_id: str, view: AnyView, caller: Manager, sent: Sent) -> Response:
    pile, slips = view.parts.registry.piles.get(pile_id), Slips(NAMES)
    mix = slips.trying(lambda: mix_of(view, sent), row_of(sent))
    asked = slips.trying(lambda: asked_of(view, sent), "text")
    if mix is None or asked is None:
        return _again(view, sent, slips, pile)
    record = builds.record_of(asked, mix[0], view.parts, caller.name)
    with view.parts.registry.begin() as tx:
        builds.keep_build(tx, pile, record, mix[1], view.parts)
    return view.back(f"/piles/{pile.id}#h-build", f"{pile.peg}: build record kept.")


def _again(view: View, sent: FormData, slips: Slips, pile: Pile | None) -> Response:
    """The form as it was filled in, each slip at its field. Nothing was kept."""
    form = form_of(sent)
    plans = [str(one) for one in sent.getlist("planned")] + [""] * len(form.rows)
    rows = list(zip(form.rows, plans, strict=False))
    if all(not row.empty for row in form.rows):
        rows = [*rows, (FormRow(), "")][:MOST_FEEDSTOCKS]
    plan = texts(sent)("plan")
    answer, _ = worked_out(view, form_of(QueryParams(plan)))
    sites = view.parts.registry.sites.all() if pile is None else []
    more = {"sites": sites, "pile": pile, "record": None, "wrong": "", "query": plan}
    return _show(view, form, rows, answer, Typed(sent), slips, **more)


@router.post("/piles/{pile_id}/checklist")
def tick(
    pile_id: str, view: AnyView, caller: Helper, step: Annotated[list[str] | None, Form()] = None
) -> RedirectResponse:
    if not step:
        return view.back(f"/piles/{pile_id}#h-build", "Nothing was ticked.")
    builds.post_checklist(pile_id, read(builds.CheckIn, steps=step), view.parts, caller)
    return view.back(f"/piles/{pile_id}#h-build", "Ticked.")


def _note(
    pile: Pile, kind: NoteKind, at: Millis, figures: dict[str, Any], words: str, by: str, now: Millis
) -> FieldNote:
    return FieldNote(new_id(now), pile.id, kind, at, text=words, figures=figures, by=by)
