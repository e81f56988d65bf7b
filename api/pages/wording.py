"""How figures, instants and states read on a page."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from shared.local_words import local_words
from shared.spoken import depth_words, respoken, span_words
from shared.times import DAY, Millis, TimeError, iso, parse_time, to_datetime
from shared.units import (
    KG_M3_PER_LB_YD3,
    KG_PER_LB,
    LITRES_PER_CUBIC_YARD,
    Units,
    fahrenheit,
    temperature_text,
    threshold_text,
)

WORDS: Mapping[str, Mapping[str, str]] = {
    "need": {
        "danger": "Danger",
        "now": "Hands needed now",
        "check": "Figures not to be trusted",
        "soon": "Soon",
        "watch": "Worth a look",
        "none": "Leave alone",
    },
    "phase": {
        "unknown": "not known yet",
        "heating": "warming up",
        "hot": "hot",
        "cooling": "cooling",
        "curing": "curing",
        "finished": "finished",
    },
    "rule": {
        "met": "supported",
        "open": "not yet",
        "broken": "not supported",
        "not_applicable": "does not apply",
    },
    "risk": {"none": "none", "watch": "watch", "high": "high", "danger": "danger"},
    "turn": {
        "not_yet": "not yet",
        "soon": "soon",
        "due": "due",
        "overdue": "overdue",
        "none": "none asked for",
    },
    "severity": {"info": "to know", "act": "to do", "urgent": "urgent"},
    "notice_state": {
        "waiting": "waiting to go",
        "held": "held back until later",
        "sending": "on its way",
        "sent": "sent",
        "failed": "could not be sent",
        "expired": "too old to send",
        "withheld": "not sent, on purpose",
    },
    "withheld": {
        "grouped": "told in one message with something else",
        "nobody_subscribed": "nobody asked to be told",
        "no_channel": "no way to reach them",
    },
    "kind": {
        "turn_soon": "Turn soon",
        "turn_due": "Turn due",
        "turn_overdue": "Turn overdue",
        "cool_pile": "Running too hot",
        "fire_watch": "Fire watch",
        "not_heating": "Not heating",
        "cooled": "Heat is over",
        "rule_met": "Rule supported",
        "probe_silent": "Probe silent",
        "probe_fault": "Probe fault",
        "battery_low": "Battery low",
        "turn_found": "Turn found",
        "service_trouble": "Service trouble",
        "morning_round": "Morning round",
    },
    "note": {
        "water": "Water",
        "cover": "Cover",
        "smell": "Smell",
        "squeeze": "Squeeze test",
        "hand_reading": "Hand reading",
        "photo": "Photo",
        "remark": "Note",
    },
    "squeeze": {"dry": "crumbles, no drop", "right": "a few drops", "wet": "water runs"},
    "reason": {
        "stale": "old news of unknown age, kept by the broker",
        "no_value": "no number",
        "sentinel": "the sensor's word for no reading",
        "out_of_range": "under -55 °C or over 125 °C: no such sensor reads that",
        "lone_85": "85.0 °C once, the value of a sensor that has just started",
        "jump": "a jump that no pile makes",
        "pulled_out": "the probe lay in the air",
    },
    "zone": {
        "core": "core",
        "surface": "under the surface",
        "base": "base",
        "edge": "edge",
        "ambient": "air",
    },
}


def temperature(celsius: float | None, units: Units) -> str:
    return temperature_text(celsius, units)


def big_temperature(celsius: float | None, units: Units) -> str:
    """Without the unit, for where the unit stands beside it."""
    if celsius is None:
        return "–"
    return f"{fahrenheit(celsius) if units == 'fahrenheit' else celsius:.1f}"


def rise(kelvin_per_hour: float | None, units: Units) -> str:
    if kelvin_per_hour is None:
        return "trend not known"
    figure = kelvin_per_hour * (1.8 if units == "fahrenheit" else 1)
    unit = "°F" if units == "fahrenheit" else "K"
    if abs(kelvin_per_hour) < 0.1:
        return "steady"
    return f"{'rising' if figure > 0 else 'falling'} {abs(figure):.1f} {unit}/h"


def clock_time(at: Millis | None, zone: str, now: Millis | None = None) -> str:
    """``16:00`` today, ``Thu 26 Nov 06:00`` on another day, with the year where it is not this one."""
    if at is None:
        return "–"
    moment = to_datetime(at, zone)
    if now is not None:
        today = to_datetime(now, zone)
        if moment.date() == today.date():
            return f"{moment:%H:%M}"
        if moment.year == today.year:
            return f"{moment:%a} {moment.day} {moment:%b %H:%M}"
    return f"{moment.day} {moment:%b %Y %H:%M}"


def retold(text: str, units: Units, zone: str, now: Millis) -> str:
    """A report's sentence in the site's time and a person's degrees."""
    return respoken(local_words(text, zone, moment=lambda at: clock_time(at, zone, now)), units)


def subject(text: str) -> str:
    """What an episode is about beside its pile: a probe, a rule, or a day, as ``24 Nov 2026``."""
    try:
        return day(parse_time(f"{text}T12:00Z"), "UTC")
    except TimeError:
        return text


def day(at: Millis | None, zone: str) -> str:
    if at is None:
        return "–"
    moment = to_datetime(at, zone)
    return f"{moment.day} {moment:%b %Y}"


def form_time(at: Millis, zone: str) -> str:
    """What an ``<input type=datetime-local>`` takes."""
    return f"{to_datetime(at, zone):%Y-%m-%dT%H:%M}"


def age(at: Millis | None, now: Millis) -> str:
    if at is None:
        return "never"
    return "just now" if 0 <= now - at < 60_000 else f"{span_words(now - at)} ago"


def until(at: Millis | None, now: Millis) -> str:
    if at is None:
        return ""
    return f"in {span_words(at - now)}" if at > now else f"{span_words(now - at)} ago"


def hours(figure: float | None) -> str:
    if figure is None:
        return "–"
    return f"{figure:.1f} h" if figure < 100 else f"{figure:.0f} h"


def days_old(start: Millis | None, end: Millis) -> str:
    return "–" if start is None else f"day {max(0, (end - start) // DAY) + 1}"


def volume(litres: float | None, units: Units) -> str:
    if litres is None:
        return "–"
    if units == "fahrenheit":
        return f"{litres / LITRES_PER_CUBIC_YARD:.2f} cu yd"
    return f"{litres:.0f} L" if litres < 10_000 else f"{litres / 1000:.1f} m³"


def mass(kilograms: float | None, units: Units) -> str:
    if kilograms is None:
        return "–"
    figure = kilograms / KG_PER_LB if units == "fahrenheit" else kilograms
    return f"{figure:.{1 if figure < 100 else 0}f} {'lb' if units == 'fahrenheit' else 'kg'}"


def density(kg_m3: float | None, units: Units) -> str:
    if kg_m3 is None:
        return "–"
    return f"{kg_m3 / KG_M3_PER_LB_YD3:.0f} lb/cu yd" if units == "fahrenheit" else f"{kg_m3:.0f} kg/m³"


def percent(share: float | None) -> str:
    return "–" if share is None else f"{share * 100:.3g} %"


_LINK = re.compile(r" \S+ \S+://\S+")


def letter_lines(text: str) -> list[str]:
    """A message's lines without those that carry a link: a link is for the one it was sent to. Of a pile in a list
    only the link and the word before it go."""
    lines = (_LINK.sub("", line) if line.startswith("- ") else line for line in text.splitlines())
    return [line for line in lines if line.strip() and "://" not in line]


FILTERS: Mapping[str, Callable[..., Any]] = {
    "temperature": temperature,
    "threshold": threshold_text,
    "big_temperature": big_temperature,
    "rise": rise,
    "clock": clock_time,
    "day": day,
    "form_time": form_time,
    "age": age,
    "until": until,
    "span": span_words,
    "hours": hours,
    "days_old": days_old,
    "volume": volume,
    "mass": mass,
    "density": density,
    "percent": percent,
    "depth": depth_words,
    "iso": iso,
    "letter_lines": letter_lines,
    "respoken": respoken,
    "retold": retold,
    "subject": subject,
}
