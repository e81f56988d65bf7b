"""The ladder of running too hot: none, watch, high, danger, with the reasons in words. Never a probability of fire.

Where the steps come from:
- 65 °C: useful microbes are being lost. 71 °C (160 °F): turn now, add water. 76.7 °C (170 °F): out of the US organic
  band. 82 °C (180 °F): a pre-fire alarm. The source of each stands in STEPS.
- A step holds once the time at or over it, added up since it was last given up, comes to its duration.
- The durations, the 2 K and 6 h before a step is given up, and the 48 h after danger are our own choices.
- 120 h at or over 65 °C without a turn is our own choice too.
- A core that climbs faster than biology does at that heat (rise.py) is danger; its limit is from simulation.
- Large (much unseen stuff a probe), dry or long unturned: each lifts watch to high, none lowers anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shared.heat.report import Risk, RiskLevel
from shared.heat.rise import OVER_C, strange_rise
from shared.heat.risk_notes import Noted, noted
from shared.heat.risk_steps import CLEAR_BELOW_K, STEPS, Step
from shared.heat.rule_clock import reached, without
from shared.heat.rule_words import lasted, when
from shared.heat.spans import clipped, total
from shared.heat.view import HeatView, Stretches
from shared.times import DAY, HOUR, Millis

LEVELS: tuple[RiskLevel, ...] = ("none", "watch", "high", "danger")
CLEAR_AFTER_MS = 6 * HOUR
COOLED_BELOW_C = 65.0
COOLED_AFTER_MS = 48 * HOUR
OPENED_AFTER_MS = 12 * HOUR
LONG_HOT_C = 65.0
LONG_HOT_MS = 120 * HOUR
LONG_UNTURNED_MS = 21 * DAY
WIDE_L_PER_PROBE = 10_000.0
LARGE_HOT_MS = 48 * HOUR


@dataclass(frozen=True, slots=True)
class _Cause:
    level: RiskLevel
    since: Millis | None
    reason: str


def risk_reading(view: HeatView, now: Millis) -> Risk:
    """The level at ``now`` from the hottest core sensor, what people noted, and how long the pile went unturned."""
    finished = view.facts.pile.finished_at
    if finished is not None and finished <= now:
        return Risk(level="none", reasons=[], since=None)
    lines = _Lines(view, now)
    words = noted(view.facts.notes, now, view.facts.turned_at)
    causes = [cause for step in STEPS if (cause := _on_step(lines, step, words)) is not None]
    causes += _causes_beside(lines, words)
    climb = strange_rise(view, now, lines.last_turn)
    if climb is not None:
        causes.append(_Cause("danger", None, _climbs(climb)))
    if _highest(causes) == "watch":
        causes += _aggravators(lines, words)
    causes += _smells(words)
    level = _highest(causes)
    causes.sort(key=lambda cause: LEVELS.index(cause.level), reverse=True)
    since = min((c.since for c in causes if c.level == level and c.since is not None), default=None)
    reasons = [cause.reason for cause in causes] + _unseen(lines, level)
    return Risk(level=level, reasons=reasons, since=since)


def _highest(causes: Sequence[_Cause]) -> RiskLevel:
    return LEVELS[max((LEVELS.index(cause.level) for cause in causes), default=0)]


class _Lines:
    """The hottest core sensor up to ``now``."""

    def __init__(self, view: HeatView, now: Millis) -> None:
        self._view, self.now, self.facts = view, now, view.facts
        latest = view.latest("hottest", now)
        self.hottest_c = None if latest is None else latest[0]
        self.known = self._so_far(view.known(None, "hottest"))
        self.turned_at = [at for at in view.facts.turned_at if at <= now]
        self.last_turn = self.turned_at[-1] if self.turned_at else view.facts.pile.built_at
        self.probes = len({placement.probe for placement in view.facts.placements if now in placement.span})

    def above(self, celsius: float) -> Stretches:
        return self._so_far(self._view.intervals(celsius, "hottest"))

    def _so_far(self, stretches: Stretches) -> Stretches:
        return clipped(stretches, int(stretches[0, 0]), self.now) if len(stretches) else stretches

    def below_since(self, celsius: float, after: int) -> int:
        """How long the core has been known and below ``celsius`` without a break since it last was not."""
        hot = self.above(celsius)
        last_hot = max(after, int(hot[-1, 1])) if len(hot) else after
        return total(clipped(self.known, last_hot, self.now))


def _on_step(lines: _Lines, step: Step, words: Noted) -> _Cause | None:
    hot = _last_period(lines, step)
    if total(hot) < max(step.for_ms, 1):
        if step.for_ms == 0 and lines.hottest_c is not None and lines.hottest_c >= step.at_least_c:
            return _Cause(step.level, lines.now, _at_step(step, lines.hottest_c, 0))
        return None
    since = reached(hot, step.for_ms) or Millis(int(hot[0, 0]))
    if lines.hottest_c is not None and lines.hottest_c >= step.at_least_c:
        return _Cause(step.level, since, _at_step(step, lines.hottest_c, total(hot)))
    end = int(hot[-1, 1])
    reason = _held(lines, step, words, end)
    return _Cause(step.level, since, reason) if reason else None


def _last_period(lines: _Lines, step: Step) -> Stretches:
    """The hot stretches since the step was last given up; dips that are short or shallow do not start it anew."""
    stretches = lines.above(step.at_least_c)
    if not len(stretches):
        return stretches
    cool = without(lines.known, lines.above(step.at_least_c - CLEAR_BELOW_K))
    given_up = cool[cool[:, 1] - cool[:, 0] >= CLEAR_AFTER_MS, 0]
    following = np.searchsorted(stretches[:, 0], given_up)  # the first hot stretch after each
    return stretches[int(following[following < len(stretches)].max(initial=0)) :]


def _held(lines: _Lines, step: Step, words: Noted, end: int) -> str:
    """Why a step still holds although the core is under it or not known; "" = it is given up."""
    if step.level == "danger":
        return "" if _cooled(lines, words, end) else _fell(step, lines, end)
    if lines.below_since(step.at_least_c - CLEAR_BELOW_K, end) >= CLEAR_AFTER_MS:
        return ""
    if lines.hottest_c is None:
        return f"the core is not known now; until {when(end)} it was at {step.at_least_c:g} °C or more"
    return (
        f"at {step.at_least_c:g} °C or more until {when(end)}; given up once it has been {CLEAR_BELOW_K:g} K under that "
        f"for {lasted(CLEAR_AFTER_MS)}"
    )


def _at_step(step: Step, hottest_c: float, lasting_ms: int) -> str:
    lasting = f" for {lasted(lasting_ms)}" if lasting_ms else ""
    return f"core {hottest_c:.1f} °C, at {step.at_least_c:g} °C or more{lasting}: {step.means}"


def _fell(step: Step, lines: _Lines, end: int) -> str:
    now = "is not known now" if lines.hottest_c is None else f"reads {lines.hottest_c:.1f} °C now"
    return (
        f"the core {now} after {step.at_least_c:g} °C or more until {when(end)}; a fall is not taken as cooled until a "
        f"hand reading under {COOLED_BELOW_C:g} °C, a turn and {lasted(OPENED_AFTER_MS)} under it, or "
        f"{lasted(COOLED_AFTER_MS)} under it confirm it"
    )


def _cooled(lines: _Lines, words: Noted, end: int) -> bool:
    under = lines.below_since(COOLED_BELOW_C, end)
    if under >= COOLED_AFTER_MS:
        return True
    if any(at > end for at in lines.turned_at) and under >= OPENED_AFTER_MS:
        return True
    hand = words.hand
    return (
        hand is not None and hand[0] > end and hand[1] < COOLED_BELOW_C and (lines.hottest_c or 0.0) < COOLED_BELOW_C
    )  # fmt: skip


def _causes_beside(lines: _Lines, words: Noted) -> list[_Cause]:
    causes = []
    if words.smoke_at is not None:
        causes.append(_Cause("danger", words.smoke_at, f"smoke noted at {when(words.smoke_at)}"))
    if words.burnt_at is not None:
        level: RiskLevel = "danger" if (lines.hottest_c or 0.0) >= STEPS[1].at_least_c else "high"
        causes.append(_Cause(level, words.burnt_at, f"burnt smell noted at {when(words.burnt_at)}"))
    if words.hand is not None:
        at, celsius = words.hand
        for step in reversed(STEPS):
            if celsius >= step.at_least_c:
                causes.append(
                    _Cause(step.level, at, f"hand reading {celsius:.1f} °C at {when(at)}: {step.means}")
                )
                break
    unturned_hot = total(clipped(lines.above(LONG_HOT_C), lines.last_turn, lines.now))
    if unturned_hot >= LONG_HOT_MS and (lines.hottest_c or 0.0) >= LONG_HOT_C:
        causes.append(
            _Cause("high", None, f"{lasted(unturned_hot)} at {LONG_HOT_C:g} °C or more without a turn")
        )
    return causes


def _smells(words: Noted) -> list[_Cause]:
    """Worth a look by themselves; they make heat no worse, so they come after what does."""
    causes = []
    if words.foul_at is not None:
        reason = f"sour or rotten smell noted at {when(words.foul_at)}: short of air; turn it and add dry coarse material"
        causes.append(_Cause("watch", words.foul_at, reason))
    if words.ammonia_at is not None:
        reason = (
            f"ammonia noted at {when(words.ammonia_at)}: nitrogen is being lost; too hot, or short of carbon"
        )
        causes.append(_Cause("watch", words.ammonia_at, reason))
    return causes


def _climbs(climb_k_h: float) -> str:
    return (
        f"the core climbs {climb_k_h:.1f} K an hour although it has been at {OVER_C:g} °C or more for hours: faster than "
        "biology alone does at that heat; measure by hand, keep water near"
    )


def _aggravators(lines: _Lines, words: Noted) -> list[_Cause]:
    causes = []
    if words.dry_at is not None:
        causes.append(
            _Cause(
                "high",
                words.dry_at,
                f"the squeeze test was dry at {when(words.dry_at)}: dry, hot compost heats further",
            )
        )
    if lines.now - lines.last_turn > LONG_UNTURNED_MS:
        causes.append(_Cause("high", None, f"not turned for {(lines.now - lines.last_turn) // DAY} days"))
    hot_ms = total(clipped(lines.above(LONG_HOT_C), lines.last_turn, lines.now))
    if _wide(lines) and hot_ms >= LARGE_HOT_MS:
        volume = (lines.facts.pile.volume_l or 0.0) / 1000
        causes.append(
            _Cause(
                "high",
                None,
                f"{lasted(hot_ms)} at {LONG_HOT_C:g} °C or more in {volume:g} m³: so large a pile holds its heat, and its "
                "probes do not see all of it",
            )
        )
    return causes


def _wide(lines: _Lines) -> bool:
    volume = lines.facts.pile.volume_l
    return bool(volume and lines.probes and volume / lines.probes > WIDE_L_PER_PROBE)


def _unseen(lines: _Lines, level: RiskLevel) -> list[str]:
    reasons = []
    if lines.hottest_c is None and level == "none":
        reasons.append("the core is not known now; that is not a sign of safety")
    volume = lines.facts.pile.volume_l
    if level != "none" and volume and _wide(lines):
        reasons.append(
            f"{volume / 1000:g} m³ and {lines.probes} probe{'s' * (lines.probes > 1)}: hot spots may go unseen"
        )
    return reasons
