"""The batch record of a readings file, as a PDF."""

from __future__ import annotations

from collections.abc import Sequence

from api.documents import Setting, batch_pdf
from deploy.analyse_pile import FilePile
from shared.heat.engine import PileHeat
from shared.heat.report import HeatReport
from shared.heat_book import PileHistory, SensorHistory
from shared.units import Units


def history_of(heat: PileHeat) -> PileHistory:
    sensors = tuple(
        SensorHistory(key, placement, at, celsius, reason)
        for stand in heat.stands
        for key, placement, at, celsius, reason in stand.history()
    )
    return PileHistory(heat.facts.pile, sensors, heat.facts.turns, heat.facts.notes)


def sheet_pdf(
    report: HeatReport, heat: PileHeat, pile: FilePile, basis: Sequence[str], setting: tuple[str, Units, Sequence[str]]
) -> bytes:  # fmt: skip
    """``setting``: the zone and units to write in, and the rules that were named."""
    zone, units, asked = setting
    return batch_pdf(
        report,
        history_of(heat),
        pile.pile,
        Setting(
            title=f"Heat record of {pile.file.name}",
            zone=zone,
            units=units,
            rules=asked,
            basis=basis,
            data_hash=pile.readings.sha256,
            hash_words=f"The hash below is the SHA-256 of the file {pile.file.name} as it was read.",
        ),
    )
