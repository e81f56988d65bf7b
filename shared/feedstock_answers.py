"""What a yard found out about its feedstocks: the answers to the questions on contaminants and heat."""

from __future__ import annotations

import json
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shared.mix.plan import Asked
from shared.ports import Registry
from shared.times import Millis

Verdict = Literal["settled", "open", "keep_out"]
VERDICT_WORDS: dict[Verdict, str] = {
    "settled": "settled",
    "open": "still open",
    "keep_out": "keep it out of the pile",
}
_PREFIX = "feedstock_answers."


class Answer(BaseModel):
    """One question's answer, with who found out and when."""

    model_config = ConfigDict(frozen=True)

    question: str
    text: Annotated[str, Field(max_length=400)] = ""
    verdict: Verdict = "open"
    by: str = ""
    at: Millis


def answers_of(registry: Registry, feedstock: str) -> dict[str, Answer]:
    """By question. What a newer program wrote and this one cannot read is passed over."""
    found = {}
    for one in json.loads(registry.memory.get(_PREFIX + feedstock) or "[]"):
        try:
            answer = Answer.model_validate(one)
        except ValidationError:
            continue
        found[answer.question] = answer
    return found


def keep_answers(registry: Registry, feedstock: str, answers: list[Answer]) -> None:
    """Each takes the place of the one before to its question; the rest stays."""
    with registry.begin() as tx:
        held = answers_of(tx, feedstock) | {one.question: one for one in answers}
        text = json.dumps([one.model_dump() for one in held.values()])
        tx.memory.set(_PREFIX + feedstock, text)


def answer_warnings(asked: list[Asked], answers: dict[str, dict[str, Answer]]) -> list[str]:
    """``answers``: by feedstock, then by question."""
    found = []
    for name in dict.fromkeys(one.feedstock for one in asked):
        held = answers.get(name, {})
        ids = [one.id for one in asked if one.feedstock == name]
        out = [held[id_] for id_ in ids if id_ in held and held[id_].verdict == "keep_out"]
        unsettled = sum(id_ not in held or held[id_].verdict == "open" for id_ in ids)
        if out:
            why = out[0].text or "marked so"
            found.append(f"{name}: keep it out of the pile ({why}).")
        elif unsettled:
            found.append(f"{name}: {unsettled} of {len(ids)} questions are still open.")
    return found
