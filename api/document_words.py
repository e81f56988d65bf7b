"""The words of the batch record: its fixed sentences, and figures in a person's units and zone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shared.heat.report import SensorHeat
from shared.local_times import in_zone
from shared.spoken import depth_words
from shared.times import Millis, to_datetime
from shared.units import fahrenheit, temperature_text

if TYPE_CHECKING:
    from api.documents import Setting

NONE = "–"

DEFINITIONS = (
    (
        "The line of a sensor is the straight line between two valid readings at most {gap} min apart. Outside it nothing is "
        "known: no time is credited, and the gap is listed."
    ),
    (
        "Hours at or over a temperature: the total time for which the line is at it or over it, to the millisecond. A stretch "
        "is one unbroken piece of that time."
    ),
    (
        "Hottest: while any core sensor is at or over it. Coldest: while every placed core sensor is known and at or over it; "
        "a sensor that is silent makes the coldest unknown."
    ),
    "A recorded turn, a moved probe and a masked stretch end a line; nothing is drawn across them.",
    (
        "Load: time since the last turn, each hour divided by the hours that the turning guide allows at that temperature, "
        "added up over the hottest core reading; the guide calls for a turn at 1."
    ),
    (
        "A turn counts for the guide when enough hours lie before it, or when the guide had called for it; for a rule, as the "
        "rule's own reading says."
    ),
    (
        "Readings left out (impossible values, lone jumps, a probe pulled out) stay in the record and are shown, but no sum "
        "uses them."
    ),
)
NO_CLAIM = (
    "This sheet says what the record supports, as this program reads each rule; it is no certificate. Local codes, the "
    "permit and licensed practice decide."
)
STATUS_WORDS = {
    "met": "supported",
    "open": "not yet",
    "broken": "not supported",
    "not_applicable": "cannot be read",
}


class Words:
    def __init__(self, setting: Setting) -> None:
        self.zone, self.units = setting.zone, setting.units
        self.site = setting.site
        self.unit = "°F" if setting.units == "fahrenheit" else "°C"

    def time(self, at: Millis | None) -> str:
        return NONE if at is None else to_datetime(at, self.zone).strftime("%Y-%m-%d %H:%M")

    def local(self, sentence: str) -> str:
        return in_zone(sentence, self.zone)

    def temperature(self, celsius: float | None) -> str:
        return NONE if celsius is None else temperature_text(celsius, self.units)

    def threshold(self, celsius: float) -> str:
        return f"{fahrenheit(celsius):.0f} °F" if self.units == "fahrenheit" else f"{celsius:g} °C"


def sensor_name(sensor: SensorHeat) -> str:
    where = depth_words(sensor.depth_cm, sensor.level) if sensor.depth_cm is not None or sensor.level else ""
    return sensor.probe if not where or where in sensor.probe else f"{sensor.probe}, {where}"
