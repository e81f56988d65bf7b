"""The batch record of a readings file, as a PDF."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.documents import Setting, batch_pdf
from shared.heat.engine import PileHeat
from shared.heat_book import PileHistory, SensorHistory
from shared.readings import SensorKey
from shared.units import Units

if TYPE_CHECKING:
    from deploy.analyse import Analysis


def history_of(heat: PileHeat, wide: bool = False) -> PileHistory:
    """``wide``: sensors are columns, and are called by the column's name alone."""
    sensors = tuple(
        SensorHistory(SensorKey(key.site, "", key.probe) if wide else key, placement, at, celsius, reason)
        for stand in heat.stands
        for key, placement, at, celsius, reason in stand.history()
    )
    return PileHistory(heat.facts.pile, sensors, heat.facts.turns, heat.facts.notes)


def sheet_pdf(done: Analysis, units: Units) -> bytes:
    file = done.pile.file.name
    setting = Setting(
        title=f"Heat record of {file}",
        zone=done.zone,
        units=units,
        rules=done.asked,
        basis=done.basis,
        data_hash=done.pile.readings.sha256,
        hash_words=f"The hash below is the SHA-256 of the file {file} as it was read.",
        guide=done.guide,
    )
    return batch_pdf(done.report, history_of(done.heat, done.pile.readings.wide), done.pile.pile, setting)
