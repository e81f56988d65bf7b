"""The words of the batch record: its fixed sentences, and figures in a person's units and zone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shared.heat.report import SensorHeat
from shared.local_words import local_words
from shared.spoken import depth_words
from shared.times import Millis, to_datetime
from shared.units import temperature_text, threshold_text

if TYPE_CHECKING:
    from api.documents import Setting

NONE = "–"

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
        return local_words(sentence, self.zone, self.units)

    def temperature(self, celsius: float | None) -> str:
        return NONE if celsius is None else temperature_text(celsius, self.units)

    def threshold(self, celsius: float) -> str:
        return threshold_text(celsius, self.units)


def sensor_name(sensor: SensorHeat) -> str:
    where = depth_words(sensor.depth_cm, sensor.level) if sensor.depth_cm is not None or sensor.level else ""
    return sensor.probe if not where or where in sensor.probe else f"{sensor.probe}, {where}"
