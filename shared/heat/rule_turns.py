"""Which recorded turns count for a rule, from when, and why the others do not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.heat.rule_data import HoldBefore, Turning
from shared.heat.rule_words import lasted, when
from shared.heat.spans import clipped, longest, total
from shared.heat.view import Stretches
from shared.times import Millis


@dataclass(frozen=True, slots=True)
class Tally:
    """``counted``: (turn, instant from which it counts); ``refused``: (turn, why not)."""

    counted: tuple[tuple[Millis, Millis], ...] = ()
    refused: tuple[tuple[Millis, str], ...] = ()

    def reached(self, at_least: int) -> Millis | None:
        """When the ``at_least``-th counted turn was there."""
        from_ = sorted(at for _, at in self.counted)
        return from_[at_least - 1] if len(from_) >= at_least else None


@dataclass(frozen=True, slots=True, eq=False)
class TurnEvidence:
    """What the curves say for the turns of one rule and one choice of sensor.

    ``hot``: while at or over the turning's own threshold; ``held``: at or over its hold's; ``during``: the time of the
    alternative that the turns must fall in (None = no alternative), whole or one unbroken run (``one_run``).
    """

    turns: tuple[Millis, ...]
    begin: Millis | None  # the build
    known: Stretches
    hot: Stretches | None
    held: Stretches | None
    during: Stretches | None
    one_run: bool
    max_gap_ms: int


def tally(turning: Turning, evidence: TurnEvidence) -> Tally:
    counted: list[tuple[Millis, Millis]] = []
    refused: list[tuple[Millis, str]] = []
    before: int = evidence.begin if evidence.begin is not None else -(2**62)
    for at in evidence.turns:
        why = _why_not(turning, evidence, at, before)
        from_, late = _counts_from(evidence, at)
        why = why or late
        if not why and counted and turning.spacing_days and at - counted[-1][0] < turning.spacing_ms:
            why = f"only {lasted(at - counted[-1][0])} after the last that counted, {turning.spacing_days:g} d asked"
        if why:
            refused.append((at, why))
        else:
            counted.append((at, from_))
        before = at
    return Tally(tuple(counted), tuple(refused))


def _why_not(turning: Turning, evidence: TurnEvidence, at: Millis, before: int) -> str:
    if turning.while_at_least_c is not None and evidence.hot is not None:
        known = _last_known(evidence.known, at)
        if known is None or at - known > evidence.max_gap_ms:
            return "the temperature just before it is not known"
        if not _holds(evidence.hot, known):
            return f"at {when(known)}, the last known moment before it, it was under {turning.while_at_least_c:g} °C"
    if turning.hold_before is not None and evidence.held is not None:
        return _hold_missing(turning.hold_before, clipped(evidence.held, before, at))
    return ""


def _hold_missing(hold: HoldBefore, held: Stretches) -> str:
    if hold.contiguous:
        there = longest(held)
        words = "in one stretch"
    else:
        there, words = total(held), "in all"
    if there >= hold.need_ms:
        return ""
    asked = f"at {hold.at_least_c:g} °C or more before it, {hold.length_text} asked"
    return f"only {lasted(there)} {words} {asked}" if there else f"no time {asked}"


def _counts_from(evidence: TurnEvidence, at: Millis) -> tuple[Millis, str]:
    """A turn counts only during the hot time: at once when it was hot, else once it is hot again."""
    during = evidence.during
    if during is None:
        return at, ""
    if not len(during) or at < during[0, 0]:
        return at, "made before the pile was hot enough"
    known = _last_known(evidence.known, at)
    if evidence.one_run:
        inside = known is not None and during[0, 0] <= known <= during[-1, 1]
        return at, "" if inside else "made outside the longest unbroken stretch"
    if known is not None and _holds(during, known):
        return at, ""
    later = during[during[:, 0] >= at]
    if len(later):
        return Millis(int(later[0, 0])), ""
    return at, "the pile was not hot enough at it, nor since"


def _last_known(known: Stretches, at: int) -> Millis | None:
    index = int(np.searchsorted(known[:, 0], at, side="left")) - 1
    return Millis(min(int(known[index, 1]), at)) if index >= 0 else None


def _holds(stretches: Stretches, at: int) -> bool:
    return bool(((stretches[:, 0] <= at) & (stretches[:, 1] >= at)).any())
