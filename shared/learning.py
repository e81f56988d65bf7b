"""What finished batches have to teach: when each got hot, for how long, how often it was turned, what went wrong.

Counts, middles and ends of ranges, each with the number of batches behind it; no mean, no trend, nothing foretold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from statistics import median
from typing import TYPE_CHECKING, Any

import numpy as np
from pydantic import BaseModel, ConfigDict

from shared.heat.report import At, HeatReport
from shared.heat.screening import GOOD
from shared.mix.windows import RATIO_IDEAL
from shared.piles import FieldNote, Pile
from shared.times import DAY, HOUR, Millis

if TYPE_CHECKING:
    from shared.heat_book import PileHistory

HOT_C = 55.0
SLOW_H = (
    7 * 24.0
)  # the operating range is expected within about 7 days: USDA NRCS composting-facility O&M sheet
TOO_HOT_C = "70"
KNOWN_SHARE = 0.9
NO_MIX = "no mix written down"
SEEN = (("squeeze", "feel"), ("smell", "smell"))
NOTED: dict[str, frozenset[str]] = {
    "found too dry": frozenset({"dry"}),
    "found too wet": frozenset({"wet"}),
    "smelt sour or rotten": frozenset({"sour", "rotten"}),
    "smelt of ammonia": frozenset({"ammonia"}),
    "smoke or a burnt smell": frozenset({"burnt"}),
}


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True)


class BatchFacts(_Part):
    """``hours_to_hot``: from the build to the first core reading of 55 °C or more; None = none was read."""

    pile: str
    peg: str
    site: str
    kind: str
    built_at: At
    finished_at: At | None
    days: float
    mix: str
    carbon_to_nitrogen: float | None
    moisture_percent: float | None
    read_by: str
    known_share: float | None
    hours_to_hot: float | None
    peak_c: float | None
    hours_above_55: float | None
    hours_above_65: float | None
    turns: int
    turns_counted: int
    watered_l: float | None
    went_wrong: list[str]


class Spread(_Part):
    """Of ``n`` batches for which it is known: the middle one, the least, the most; None without any."""

    n: int
    middle: float | None
    least: float | None
    most: float | None


class Group(_Part):
    name: str
    batches: list[str]  # their pegs
    n: int
    hours_to_hot: Spread
    hours_above_55: Spread
    hours_above_65: Spread
    peak_c: Spread
    turns: Spread
    days: Spread
    went_wrong: dict[str, int]


class Lessons(_Part):
    """``of``: how many were asked for; the last of them were looked at, where there were too many."""

    batches: list[BatchFacts]
    of: int
    by_mix: list[Group]
    by_start_ratio: list[Group]
    note: str


def batch_facts(report: HeatReport, history: PileHistory) -> BatchFacts:
    pile = history.pile
    mix = pile.mix or {}
    end = pile.finished_at if pile.finished_at is not None else report.as_of
    notes = [note for note in history.notes if note.at <= report.as_of]
    to_hot = _hours_to_hot(history)
    litres = [
        float(n.figures["litres"]) for n in notes if n.kind == "water" and _is_number(n.figures.get("litres"))
    ]
    return BatchFacts(
        pile=pile.id, peg=pile.peg, site=pile.site, kind=pile.kind or "", built_at=pile.built_at,
        finished_at=pile.finished_at, days=(end - pile.built_at) / DAY, mix=mix_name(pile),
        carbon_to_nitrogen=_number(mix.get("carbon_to_nitrogen")), moisture_percent=_number(mix.get("moisture_percent")),
        read_by=report.coverage.by, known_share=report.coverage.known_share, hours_to_hot=to_hot,
        peak_c=report.hottest.peak_c, hours_above_55=report.hottest.hours_above["55"],
        hours_above_65=report.hottest.hours_above["65"],
        turns=sum(turn.state == "confirmed" for turn in report.turns),
        turns_counted=sum(bool(cycle.counts) for cycle in report.cycles),
        watered_l=sum(litres) if litres else None,
        went_wrong=list(_went_wrong(report, notes, to_hot)),
    )  # fmt: skip


def lessons(batches: Sequence[BatchFacts], of: int | None = None) -> Lessons:
    """``of``: how many there are, when ``batches`` are only the last of them."""
    by_mix = _groups(batches, lambda one: one.mix)
    by_ratio = _groups(batches, _ratio_class)
    few = "A single batch is an anecdote, and weather, size and season differ between batches: look, do not conclude."
    there_are = len(batches) if of is None else of
    count = (
        f"{len(batches)} batches"
        if there_are == len(batches)
        else f"The last {len(batches)} of {there_are} batches"
    )
    return Lessons(
        batches=list(batches), of=there_are, by_mix=by_mix, by_start_ratio=by_ratio, note=f"{count}. {few}"
    )


def mix_name(pile: Pile) -> str:
    """The mix's name, else its feedstocks in order of the alphabet."""
    mix = pile.mix or {}
    name = mix.get("name")
    if isinstance(name, str) and name.strip():
        return name.strip()
    stuff = mix.get("feedstocks")
    names = (
        [str(one.get("name", "")) for one in stuff if isinstance(one, dict)]
        if isinstance(stuff, list)
        else []
    )
    return ", ".join(sorted(name for name in names if name)) or NO_MIX


def _ratio_class(one: BatchFacts) -> str:
    low, high = RATIO_IDEAL
    if one.carbon_to_nitrogen is None:
        return "C:N not known"
    if one.carbon_to_nitrogen < low:
        return f"C:N under {low:g}"
    return f"C:N {low:g} to {high:g}" if one.carbon_to_nitrogen <= high else f"C:N over {high:g}"


def _groups(batches: Sequence[BatchFacts], key: Callable[[BatchFacts], str]) -> list[Group]:
    """The largest first."""
    held: dict[str, list[BatchFacts]] = {}
    for one in batches:
        held.setdefault(key(one), []).append(one)
    return [
        _group(name, found) for name, found in sorted(held.items(), key=lambda item: (-len(item[1]), item[0]))
    ]


def _group(name: str, found: Sequence[BatchFacts]) -> Group:
    wrong: dict[str, int] = {}
    for one in found:
        for words in one.went_wrong:
            wrong[words] = wrong.get(words, 0) + 1
    return Group(
        name=name, batches=[one.peg for one in found], n=len(found),
        hours_to_hot=_spread(one.hours_to_hot for one in found),
        hours_above_55=_spread(one.hours_above_55 for one in found),
        hours_above_65=_spread(one.hours_above_65 for one in found),
        peak_c=_spread(one.peak_c for one in found), turns=_spread(float(one.turns) for one in found),
        days=_spread(one.days for one in found),
        went_wrong=dict(sorted(wrong.items(), key=lambda item: (-item[1], item[0]))),
    )  # fmt: skip


def _spread(values: Iterable[float | None]) -> Spread:
    known = [value for value in values if value is not None]
    if not known:
        return Spread(n=0, middle=None, least=None, most=None)
    return Spread(n=len(known), middle=median(known), least=min(known), most=max(known))


def _hours_to_hot(history: PileHistory) -> float | None:
    firsts = []
    for sensor in history.sensors:
        if sensor.placement.zone == "core":
            hot = np.flatnonzero(
                (sensor.reason == GOOD) & (sensor.celsius >= HOT_C) & (sensor.at >= history.pile.built_at)
            )
            firsts += [int(sensor.at[hot[0]])] if len(hot) else []
    return (Millis(min(firsts)) - history.pile.built_at) / HOUR if firsts else None


def _went_wrong(report: HeatReport, notes: Sequence[FieldNote], to_hot: float | None) -> Iterator[str]:
    """Plain facts, worded alike for every batch so that they can be counted."""
    if report.hottest.peak_c is None:
        yield "nothing was read"
    elif to_hot is None:
        yield "never reached 55 °C"
    elif to_hot > SLOW_H:
        yield "took over 7 days to 55 °C"
    if report.hottest.hours_above.get(TOO_HOT_C):
        yield "ran at 70 °C or more"
    if any(cycle.counts is False for cycle in report.cycles):
        yield "turned too early to count"
    share = report.coverage.known_share
    if report.coverage.by == "probes" and share is not None and share < KNOWN_SHARE:
        yield "over a tenth of its time without readings"
    seen = {note.figures.get(name) for note in notes for kind, name in SEEN if note.kind == kind}
    smoke = any(note.kind == "smell" and note.figures.get("smoke") is True for note in notes)
    yield from (words for words, signs in NOTED.items() if seen & signs or (smoke and "burnt" in signs))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any) -> float | None:
    return float(value) if _is_number(value) else None
