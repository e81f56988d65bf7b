"""What a finished batch went through, in sentences."""

from __future__ import annotations

from shared.heat.report import HeatReport
from shared.piles import Pile
from shared.times import DAY
from shared.units import Units, temperature_text, threshold_text


def summary_lines(report: HeatReport, pile: Pile, units: Units) -> list[str]:
    """Only what the record holds; what it does not hold is said to be unknown."""
    end = pile.finished_at if pile.finished_at is not None else report.as_of
    lines = [
        f"{(end - pile.built_at) / DAY:.0f} days from build to {'finish' if pile.finished_at else 'now'}."
    ]
    hottest, coldest = report.hottest, report.coldest
    over = hottest.hours_above.get("55")
    heat = threshold_text(55.0, units)
    if over is None or hottest.peak_c is None:
        lines.append("The record holds no heat that can be summed.")
    else:
        lines.append(
            f"The hottest reading peaked at {temperature_text(hottest.peak_c, units)} and was over {heat} "
            f"for {over:.1f} h."
        )
    low = coldest.hours_above.get("55")
    if low is not None:
        lines.append(f"Every placed core sensor at once was over {heat} for {low:.1f} h.")
    confirmed = sum(turn.state == "confirmed" for turn in report.turns)
    counted = sum(bool(cycle.counts) for cycle in report.cycles)
    lines.append(
        f"{confirmed} {'turn' if confirmed == 1 else 'turns'} on record, of which {counted} came after enough heat to count."
    )
    lines += _to_do_differently(report, units)
    return lines


def _to_do_differently(report: HeatReport, units: Units) -> list[str]:
    advice = []
    too_hot = report.hottest.hours_above.get("65")
    if too_hot:
        advice.append(
            f"{too_hot:.1f} h over {threshold_text(65.0, units)}: useful microbes are lost there; turn sooner or add "
            "water at the turn."
        )
    idle = [cycle for cycle in report.cycles if cycle.counts is False]
    if idle:
        advice.append(
            f"{len(idle)} {'turn' if len(idle) == 1 else 'turns'} came before the heat had done its work; waiting longer "
            "would have counted."
        )
    gaps = [sensor.gap_hours for sensor in report.sensors if sensor.gap_hours]
    if gaps and max(gaps) > 6:
        by_hand = report.coverage.by == "hand"
        remedy = (
            "read it just before and soon after each turn"
            if by_hand
            else "see to the probe's signal and battery"
        )
        advice.append(f"Up to {max(gaps):.0f} h without readings count as nothing; {remedy}.")
    return advice
