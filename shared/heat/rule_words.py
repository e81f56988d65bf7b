"""The sentences of a rule's reading."""

from __future__ import annotations

from shared.heat.rule_data import Alternative, Rule
from shared.heat.view import Which
from shared.times import HOUR, MINUTE, SECOND, Millis, to_datetime

_ZONE = {
    "core": "core sensor",
    "surface": "surface sensor",
    "base": "base sensor",
    "edge": "edge sensor",
    "all": "sensor of the pile, core, surface, base and edge alike",
}
STATUS_NOTE = {
    "read": "read in the published text",
    "second-hand": "second-hand: read in a text that quotes it",
    "common practice": "common practice of the trade",
    "from memory, unverified": "figures from memory, unverified",
}


def lasted(ms: int) -> str:
    """A duration that never claims more than is there: cut off, not rounded up."""
    if ms >= HOUR:
        return f"{ms * 10 // HOUR / 10:.8g} h"
    if ms >= MINUTE:
        return f"{ms // MINUTE} min"
    if ms >= SECOND:
        return f"{ms // SECOND} s"
    return f"{ms} ms" if ms else "0 h"


def short_by(ms: int) -> str:
    """A shortfall that never claims less than is missing: rounded up."""
    if ms >= HOUR:
        return f"{-(-ms * 10 // HOUR) / 10:.8g} h"
    if ms >= MINUTE:
        return f"{-(-ms // MINUTE)} min"
    return f"{-(-ms // SECOND)} s" if ms >= SECOND else f"{ms} ms"


def when(at: Millis | int) -> str:
    return to_datetime(Millis(at)).strftime("%Y-%m-%d %H:%M UTC")


def band(at_least_c: float, up_to_c: float | None) -> str:
    return f"at {at_least_c:g} °C or more" if up_to_c is None else f"within {at_least_c:g}-{up_to_c:g} °C"


def sensor_words(which: Which, rule: Rule) -> str:
    return f"the {which} {_ZONE[rule.zone]}"


def asks(alternative: Alternative) -> str:
    inner = "".join(
        f", of which {part.length_text} at {part.at_least_c:g} °C or more" for part in alternative.including
    )
    return f"{alternative.length_text} {band(alternative.at_least_c, alternative.up_to_c)}{inner}"


def how_read(rule: Rule, max_gap_ms: int) -> str:
    """Which sensor, strict or not, what a turn does, what a gap does: all that one needs to do the sum again."""
    if rule.sensor == "coldest":
        asked = (
            f"Time counts while every placed {_ZONE[rule.zone]} is known and hot enough (the coldest decides)"
        )
    else:
        asked = f"Time counts while any placed {_ZONE[rule.zone]} is hot enough (the hottest decides)"
    if any(alternative.up_to_c is not None for alternative in rule.alternative):
        asked += ", less the time that any of them is over the band"
    parts = [f"{asked}."]
    if rule.alternative:
        parts.append(_stretch(rule))
    if rule.turns is not None:
        parts.append(_turns(rule, max_gap_ms))
    parts.append(
        f"Between two readings at most {max_gap_ms / MINUTE:g} min apart the line is straight; longer gaps, and the "
        "moment from the last reading before a recorded turn to the first after it, are unknown and count as nothing."
    )
    return " ".join(parts)


def _stretch(rule: Rule) -> str:
    if not rule.contiguous:
        text = "The time need not be in one stretch: it is added up"
    elif rule.turn_pause_h:
        text = (
            "The time must be one unbroken stretch; up to "
            f"{rule.turn_pause_h:g} h below or unknown around a recorded turn do not count, and do not break it"
        )
    elif rule.turn_gap_h:
        text = (
            "The time must be one unbroken stretch (strict): any measured moment below, and any gap, breaks it; only "
            f"the unknown moment of a recorded turn, up to {rule.turn_gap_h:g} h, neither counts nor breaks it"
        )
    else:
        text = (
            "The time must be one unbroken stretch (strict): any moment below or unknown breaks it, turns too"
        )
    return f"{text} ({rule.contiguous_note})." if rule.contiguous_note else f"{text}."


def _turns(rule: Rule, max_gap_ms: int) -> str:
    turning = rule.turns
    if turning is None:
        return ""
    conditions = []
    if turning.while_at_least_c is not None:
        conditions.append(
            f"if the last known temperature before it, at most {max_gap_ms / MINUTE:g} min earlier, was at "
            f"{turning.while_at_least_c:g} °C or more"
        )
    if turning.hold_before is not None:
        hold = turning.hold_before
        stretch = "in one unbroken stretch " if hold.contiguous else "added up "
        conditions.append(
            f"if {hold.length_text} at {hold.at_least_c:g} °C or more, {stretch}since the turn before it or the "
            "build, lie before it"
        )
    if turning.spacing_days is not None:
        conditions.append(f"if it comes at least {turning.spacing_days:g} d after the last that counted")
    if not conditions:
        conditions.append("if the pile has been hot enough before it and is so at it or after it")
    return f"A recorded turn counts {', and '.join(conditions)}."
