"""The mix planner: a recipe in, what goes into the pile out; and the feedstocks that a recipe may name."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from api.auth import Helper, Manager, Viewer
from api.parts import Parts, PartsHere
from api.problems import ProblemError, unprocessable
from api.v1.wire import PAGE, PREFIX, At, Cursor, In, Limit, Out, Page, ShortText, page_of
from shared.feedstock_answers import Answer, Verdict, answers_of, keep_answers
from shared.heat.catalogue import UnknownId
from shared.mix.plan import MixAnswer, plan
from shared.mix.questions import questions_for
from shared.mix.recipe import Percent, Ratio, Recipe, TableRow, UnknownFeedstock, WeightPerVolume
from shared.own_feedstocks import all_rows, keep_row, remove_row

router = APIRouter(prefix=PREFIX, tags=["mix"])
MOST_OWN = 500


class FeedstockIn(In):
    """Percent of dry mass for C and N, of wet mass for moisture. Two of carbon, nitrogen and their ratio are enough."""

    moisture_percent: Percent | None = None
    carbon_percent: Percent | None = None
    nitrogen_percent: Percent | None = None
    carbon_to_nitrogen: Ratio | None = None
    bulk_density_kg_m3: WeightPerVolume | None = None
    source: ShortText = Field("", description="where the figures come from: a laboratory, a bucket weighed")


class AnswerOut(Out):
    question: str
    asks: str
    text: str = ""
    verdict: Verdict = "open"
    by: str = ""
    at: At | None = None


class AnswerIn(In):
    text: Annotated[str, Field(max_length=400)] = ""
    verdict: Verdict = "open"


def work_out(recipe: Recipe, parts: Parts) -> MixAnswer:
    """What POST /mix and the page answer; 422 for a feedstock or a rule that nobody knows."""
    try:
        rules = [parts.catalogue.rule(id_) for id_ in recipe.rule_ids]
    except UnknownId as error:
        raise unprocessable("body.rule_ids", str(error)) from None
    try:
        return plan(recipe, all_rows(parts.registry), rules)
    except UnknownFeedstock as error:
        raise unprocessable("body.feedstock", str(error)) from None


@router.post("/mix")
def post_mix(asked: Recipe, parts: PartsHere, _: Viewer) -> MixAnswer:
    """The structure of the recipe file, as JSON. Nothing is kept. Unknown is null, with a warning of what is missing."""
    return work_out(asked, parts)


@router.get("/feedstocks")
def list_feedstocks(
    parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE
) -> Page[TableRow]:
    """The table of typical values and the yard's own, by name, each with how far it is backed."""
    return page_of(all_rows(parts.registry).values(), lambda row: row, lambda row: (row.name,), cursor, limit)


def check_name(name: str) -> None:
    if not name.strip() or len(name) > 100 or not name.isprintable():
        raise unprocessable("path.name", "a feedstock needs a name of at most 100 printable characters")


@router.put("/feedstocks/{name}")
def put_feedstock(name: str, asked: FeedstockIn, parts: PartsHere, _: Manager) -> TableRow:
    """Keep a feedstock of the yard's own; it takes the place of a row of the table with the same name."""
    check_name(name)
    rows = all_rows(parts.registry)
    if name not in rows and sum(row.status == "own" for row in rows.values()) >= MOST_OWN:
        raise ProblemError(409, f"there are {MOST_OWN} own feedstocks already; remove one first")
    row = TableRow(name=name.strip(), status="own", **asked.model_dump())
    keep_row(parts.registry, row)
    return row


@router.delete("/feedstocks/{name}", status_code=204)
def delete_feedstock(name: str, parts: PartsHere, _: Manager) -> None:
    """Only an own one; the table's row of that name counts again."""
    if not remove_row(parts.registry, name):
        raise ProblemError(404, f"there is no own feedstock called {name}")


@router.get("/feedstocks/{name}/answers")
def list_answers(name: str, parts: PartsHere, _: Viewer) -> list[AnswerOut]:
    """Every question that this feedstock calls for, with what the yard found out."""
    held = answers_of(parts.registry, name)
    return [
        AnswerOut(question=one.id, asks=one.text, **_found(held.get(one.id))) for one in questions_for(name)
    ]


@router.put("/feedstocks/{name}/answers/{question}")
def put_answer(name: str, question: str, asked: AnswerIn, parts: PartsHere, caller: Helper) -> AnswerOut:
    check_name(name)
    texts = {one.id: one.text for one in questions_for(name)}
    if question not in texts:
        raise ProblemError(404, f"{name} is not asked {question}; there are: {', '.join(texts)}")
    answer = Answer(
        question=question, text=asked.text, verdict=asked.verdict, by=caller.name, at=parts.clock.now()
    )
    keep_answers(parts.registry, name, [answer])
    return AnswerOut(question=question, asks=texts[question], **_found(answer))


def _found(answer: Answer | None) -> dict[str, Any]:
    return {} if answer is None else answer.model_dump(exclude={"question"})
