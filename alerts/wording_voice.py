"""How one person is spoken to: language, °C or °F, and the wall clock of the person's zone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from gettext import GNUTranslations
from typing import Any

from babel.dates import format_datetime
from babel.numbers import format_decimal

from shared.languages import catalogue, known_language
from shared.people import Person
from shared.times import DAY, HOUR, MINUTE, Millis, TimeError, to_datetime
from shared.units import Units, fahrenheit

MEANT = 1e15  # nothing that is measured here is larger
YEAR_9999 = 253_370_764_800_000  # no figure means a time beyond it


@dataclass(frozen=True, slots=True)
class Voice:
    language: str
    units: Units
    zone: str
    now: Millis

    @property
    def words(self) -> GNUTranslations:
        return catalogue(self.language)

    def say(self, text: str, /, **parts: object) -> str:
        """``text`` in the person's language, its ``{names}`` filled in."""
        return self.words.gettext(text).format_map(parts)

    def say_many(self, one: str, many: str, n: int, /, **parts: object) -> str:
        return self.words.ngettext(one, many, n).format_map({"n": n, **parts})

    def number(self, value: float, shape: str = "#,##0.#") -> str:
        return str(format_decimal(value, shape, locale=self.language))

    def heat(self, celsius: float) -> str:
        """``66.8 °C``: one decimal, with its unit."""
        return f"{self.number(self._degrees(celsius), '0.0')} {self._unit}"

    def limit(self, celsius: float, *, unit: bool = False) -> str:
        """A threshold: ``65``, ``159.8``; the unit stands beside the reading it is held against."""
        text = self.number(self._degrees(celsius), "0.#")
        return f"{text} {self._unit}" if unit else text

    def fall(self, kelvin: float) -> str:
        size = kelvin * 1.8 if self.units == "fahrenheit" else kelvin
        return f"{self.number(size, '0')} {self._unit}"

    def hours(self, hours: float) -> str:
        return f"{self.number(hours, '0' if hours >= 9.95 else '0.#')} h"

    def span(self, milliseconds: float) -> str:
        """``8 min``, ``5 h``, ``3 d``: as fine as it matters."""
        ms = max(0.0, milliseconds)
        if ms < 90 * MINUTE:
            return f"{round(ms / MINUTE)} min"
        if ms < 2 * DAY:
            return f"{round(ms / HOUR)} h"
        return self.say("{n} d", n=round(ms / DAY))

    def time(self, at: Millis, *, zone: bool = True) -> str:
        """``16:00 GMT``; on another day than now ``Thu 16:00 GMT``; further off with the date."""
        then, today = self._local(at), self._local(self.now)
        days = abs((then.date() - today.date()).days)
        shape = "HH:mm" if days == 0 else "EEE HH:mm" if days < 7 else "d MMM HH:mm"
        text = str(format_datetime(then.replace(tzinfo=None), shape, locale=self.language))
        return f"{text} {then.tzname()}" if zone else text

    def _local(self, at: Millis) -> datetime:
        return to_datetime(at, self.zone)

    def _degrees(self, celsius: float) -> float:
        return fahrenheit(celsius) if self.units == "fahrenheit" else celsius

    @property
    def _unit(self) -> str:
        return "°F" if self.units == "fahrenheit" else "°C"


def voice_for(person: Person, now: Millis) -> Voice:
    return Voice(known_language(person.language), person.units, known_zone(person.zone), now)


@lru_cache(maxsize=256)
def known_zone(zone: str) -> str:
    """A person's zone that does not exist must not cost the message: UTC then, and it says UTC."""
    try:
        to_datetime(Millis(0), zone)
    except TimeError:
        return "UTC"
    return zone


def number_of(figures: Mapping[str, Any], name: str) -> float | None:
    value = figures.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not -MEANT < value < MEANT:
        return None
    return float(value)


def instant_of(figures: Mapping[str, Any], name: str) -> Millis | None:
    value = number_of(figures, name)
    return Millis(int(value)) if value is not None and 0 <= value < YEAR_9999 else None
