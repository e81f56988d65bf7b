"""The mix planner: feedstocks in, what goes into the pile out, before anything is forked."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response

from api.auth import Helper, Manager, Viewer
from api.pages.forms import Text, number, read
from api.pages.mix_form import UNITS, MixForm, form_of, recipe_of
from api.pages.slips import Sent, Slips, Typed
from api.pages.view import AnyView, View
from api.problems import ProblemError, unprocessable
from api.v1 import mix
from shared.feedstock_answers import VERDICT_WORDS, Answer, answer_warnings, answers_of, keep_answers
from shared.mix.plan import MixAnswer
from shared.mix.questions import questions_for
from shared.mix.recipe import TableRow
from shared.mix.windows import MOISTURE_ACCEPTABLE, MOISTURE_IDEAL, RATIO_ACCEPTABLE, RATIO_IDEAL
from shared.own_feedstocks import all_rows

router = APIRouter(include_in_schema=False)
EXAMPLES = {
    "Ten kilos of grass: how many leaves?": [
        ("stuff", "grass clippings"), ("amount", "10"), ("unit", "kg"),
        ("stuff", "leaves"), ("amount", ""), ("unit", "free"),
    ],
    "By buckets: chips, leaves, manure": [
        ("stuff", "leaves"), ("amount", "24"), ("unit", "buckets"),
        ("stuff", "shrub trimmings"), ("amount", "16"), ("unit", "buckets"),
        ("stuff", "cattle manure"), ("amount", "5"), ("unit", "buckets"), ("count", "4"),
    ],
    "Best of what is in the yard": [
        ("stuff", "horse manure"), ("amount", "600"), ("unit", "have_kg"),
        ("stuff", "straw"), ("amount", "1500"), ("unit", "have_l"),
        ("stuff", "grass clippings"), ("amount", "300"), ("unit", "have_kg"),
    ],
}  # fmt: skip
WINDOWS = {
    "ratio": (RATIO_IDEAL, RATIO_ACCEPTABLE),
    "moisture": (MOISTURE_IDEAL, MOISTURE_ACCEPTABLE),
}


def worked_out(view: View, form: MixForm) -> tuple[MixAnswer | None, str]:
    """The answer, or why there is none; nothing at all for an empty form."""
    if not form.filled:
        return None, ""
    try:
        return mix.work_out(recipe_of(form, all_rows(view.parts.registry)), view.parts), ""
    except ProblemError as error:
        return None, error.detail


@router.get("/mix")
def mix_page(view: AnyView, _: Viewer) -> Response:
    registry, form = view.parts.registry, form_of(view.request.query_params)
    rows = all_rows(registry)
    answer, wrong = worked_out(view, form)
    asked = answer.questions if answer is not None else []
    answers = {one.feedstock: answers_of(registry, one.feedstock) for one in asked}
    return view.page(
        "mix.html",
        form=form,
        rows=form.shown,
        table=sorted(rows.values(), key=lambda row: row.name),
        units_of=UNITS,
        answer=answer,
        wrong=wrong,
        answers=answers,
        open_questions=answer_warnings(asked, answers),
        verdicts=VERDICT_WORDS,
        windows=WINDOWS,
        rules=[rule for rule in view.parts.catalogue.rules.values() if rule.start_carbon_to_nitrogen],
        examples={words: "/mix?" + urlencode(query) for words, query in EXAMPLES.items()},
        query=view.request.url.query,
        by_parts=any(row.unit == "parts" for row in form.filled),
    )


@router.post("/mix/answers")
def keep_answers_form(
    view: AnyView,
    caller: Helper,
    feedstock: Text,
    question: Annotated[list[str] | None, Form()] = None,
    text: Annotated[list[str] | None, Form()] = None,
    verdict: Annotated[list[str] | None, Form()] = None,
    onward: Annotated[str, Form(alias="next")] = "/mix",
) -> RedirectResponse:
    """Keeps what was filled in or judged; a question that was left alone stays as it was."""
    known = {one.id for one in questions_for(feedstock)}
    held = answers_of(view.parts.registry, feedstock)
    found = [
        read(Answer, question=id_, text=words.strip(), verdict=judged, by=caller.name, at=view.now)
        for id_, words, judged in zip(question or [], text or [], verdict or [], strict=False)
        if id_ in known
    ]
    changed = [one for one in found if _differs(one, held.get(one.question))]
    mix.check_name(feedstock)
    keep_answers(view.parts.registry, feedstock, changed)
    return view.back(onward, f"{feedstock}: {len(changed)} answers kept." if changed else "Nothing changed.")


def _differs(one: Answer, held: Answer | None) -> bool:
    if held is None:
        return bool(one.text) or one.verdict != "open"
    return (one.text, one.verdict) != (held.text, held.verdict)


FEEDSTOCK_NAMES = {
    "name": "name", "moisture": "moisture", "moisture_percent": "moisture", "carbon": "carbon", "carbon_percent": "carbon",
    "nitrogen": "nitrogen", "nitrogen_percent": "nitrogen", "C:N": "ratio", "carbon_to_nitrogen": "ratio",
    "bulk density": "density", "bulk_density_kg_m3": "density", "weight of a bucket": "bucket_kg",
    "size of the bucket": "bucket_l", "source": "source",
}  # fmt: skip


@router.get("/mix/feedstocks")
def feedstocks_page(view: AnyView, _: Viewer, change: str = "") -> Response:
    return _feedstocks(view, change, Typed(), Slips({}))


def _feedstocks(view: View, change: str, typed: Typed, slips: Slips) -> Response:
    rows = all_rows(view.parts.registry)
    ordered = sorted(rows.values(), key=lambda row: (row.status != "own", row.name))
    status = slips.status if slips.at else 200
    return view.page(
        "feedstocks.html", status, rows=ordered, held=rows.get(change), typed=typed, slips=slips.at
    )


@router.post("/mix/feedstocks")
def keep_feedstock(view: AnyView, caller: Manager, sent: Sent) -> Response:
    """The bulk density may be given by the weight of a full bucket."""
    slips, typed = Slips(FEEDSTOCK_NAMES), Typed(sent)
    asked = slips.trying(lambda: _feedstock_of(typed), "name")
    row: TableRow | None = None
    if asked is not None:
        row = slips.trying(
            lambda: mix.put_feedstock(typed("name").strip(), asked, view.parts, caller), "name"
        )
    if row is None:
        return _feedstocks(view, "", typed, slips)
    return view.back("/mix/feedstocks", f"{row.name} is kept.")


def _feedstock_of(typed: Typed) -> mix.FeedstockIn:
    weight = number(typed("bucket_kg"), "weight of a bucket")
    size = number(typed("bucket_l"), "size of the bucket")
    density = number(typed("density"), "bulk density")
    if weight is not None or size is not None:
        if weight is None:
            raise unprocessable("weight of a bucket", "What does the full bucket weigh?")
        if not size or size < 0:
            raise unprocessable("size of the bucket", "How many litres does the bucket hold?")
        density = weight / size * 1000
    return read(
        mix.FeedstockIn,
        moisture_percent=number(typed("moisture"), "moisture"),
        carbon_percent=number(typed("carbon"), "carbon"),
        nitrogen_percent=number(typed("nitrogen"), "nitrogen"),
        carbon_to_nitrogen=number(typed("ratio"), "C:N"),
        bulk_density_kg_m3=density,
        source=typed("source"),
    )


@router.post("/mix/feedstocks/remove")
def remove_feedstock(view: AnyView, caller: Manager, name: Text) -> RedirectResponse:
    mix.delete_feedstock(name, view.parts, caller)
    return view.back("/mix/feedstocks", f"{name} is taken away.")
