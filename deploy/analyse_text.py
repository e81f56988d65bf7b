"""A heat report for a terminal: every figure with what it rests on."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shared.heat.definitions import definitions, guide_table
from shared.heat.guide import Guide
from shared.heat.report import THRESHOLDS_C, Extreme, HeatReport, RuleReading, SensorHeat
from shared.heat.rule_beside import beside
from shared.local_words import local_words
from shared.spoken import depth_words
from shared.times import Millis, to_datetime
from shared.units import Units, fahrenheit, temperature_text

STATUS_WORDS = {
    "met": "supports",
    "open": "not yet",
    "broken": "does not",
    "not_applicable": "cannot be read",
}
NONE = "–"
MEMORY = "from memory, unverified"


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the text is written with. ``asked``: the rules that were named, which are told at length."""

    title: str
    basis: Sequence[str]
    zone: str
    units: Units
    width: int
    asked: frozenset[str]
    guide: Guide
    explained: bool = False

    def time(self, at: Millis | None) -> str:
        return NONE if at is None else to_datetime(at, self.zone).strftime("%Y-%m-%d %H:%M")

    def temperature(self, celsius: float | None) -> str:
        return NONE if celsius is None else temperature_text(celsius, self.units)

    def threshold(self, celsius: float) -> str:
        return f"{fahrenheit(celsius):.0f}" if self.units == "fahrenheit" else f"{celsius:g}"

    def wrapped(self, text: str, first: str = "  ", rest: str = "    ") -> list[str]:
        text = local_words(text, self.zone, self.units)
        return textwrap.wrap(text, self.width, initial_indent=first, subsequent_indent=rest) or [
            first.rstrip()
        ]


def hours_text(value: float | None) -> str:
    return NONE if value is None else f"{value:.1f}"


def report_text(report: HeatReport, sheet: Sheet) -> str:
    parts = [
        [sheet.title, *(line for basis in sheet.basis for line in sheet.wrapped(basis))],
        _now(report, sheet),
        _hours(report, sheet),
        _cycles(report, sheet),
        _rules(report, sheet),
        _beside(report, sheet),
        _cautions(report, sheet),
        _meanings(report, sheet) if sheet.explained else [],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _now(report: HeatReport, sheet: Sheet) -> list[str]:
    hottest, coldest, turn = report.hottest, report.coldest, report.turn
    turning = turn.state.replace("_", " ")
    if turn.load is not None:
        turning += f", load {turn.load:.2f} of 1"
    if turn.due_at is not None:
        turning += f", due {sheet.time(turn.due_at)}"
    turning += f"; {turn.counted} of {turn.required} turns count"
    if turn.why:
        turning += f"; {turn.why}"
    risk = report.risk.level + (f" since {sheet.time(report.risk.since)}" if report.risk.since else "")
    if report.risk.reasons:
        risk += f": {'; '.join(report.risk.reasons)}"
    rows = [
        ("Phase", report.phase),
        ("Hottest core", _extreme(hottest, sheet)),
        ("Coldest core", _extreme(coldest, sheet)),
        ("Turning", turning),
        ("", guide_table(sheet.guide, sheet.units)),
        ("Running hot", risk),
    ]
    if report.outlook_note:
        rows.append(("Outlook", report.outlook_note))
    lines = [f"At the last reading, {sheet.time(report.as_of)}"]
    for name, words in rows:
        lines += sheet.wrapped(words, f"  {name:<14}", " " * 16)
    return lines


def _extreme(extreme: Extreme, sheet: Sheet) -> str:
    peak = "" if extreme.peak_at is None else f", on {sheet.time(extreme.peak_at)}"
    return f"{sheet.temperature(extreme.now_c)}; peak {sheet.temperature(extreme.peak_c)}{peak}"


def sensor_name(sensor: SensorHeat) -> str:
    where = depth_words(sensor.depth_cm, sensor.level) if sensor.depth_cm is not None or sensor.level else ""
    return sensor.probe if not where or where in sensor.probe else f"{sensor.probe} {where}"


def _hours(report: HeatReport, sheet: Sheet) -> list[str]:
    unit = "°F" if sheet.units == "fahrenheit" else "°C"
    names = [sensor_name(sensor) for sensor in report.sensors]
    width = min(28, max([len("hottest of the core"), *(len(name) for name in names)]))
    head = "".join(f"{sheet.threshold(t):>8}" for t in THRESHOLDS_C)
    lines = [
        f"Hours at or over ({unit})".ljust(width + 2) + head + f"{'peak':>10}{'gaps h':>9}{'readings':>10}"
    ]
    for name, extreme in (("hottest of the core", report.hottest), ("coldest of the core", report.coldest)):
        lines.append(f"  {name:<{width}}{_cells(extreme.hours_above)}{sheet.temperature(extreme.peak_c):>10}")
    for name, sensor in zip(names, report.sensors, strict=True):
        suspect = f" ({sensor.suspect} left out)" if sensor.suspect else ""
        lines.append(
            f"  {name[:width]:<{width}}{_cells(sensor.hours_above)}{sheet.temperature(sensor.peak_c):>10}"
            f"{hours_text(sensor.gap_hours):>9}{sensor.readings:>10}{suspect}"
        )
    lines += ["", f"Longest unbroken stretch, hours ({unit})".ljust(width + 2)]
    for name, extreme in (("hottest of the core", report.hottest), ("coldest of the core", report.coldest)):
        lines.append(f"  {name:<{width}}{_cells(extreme.longest_spell_hours)}")
    lines += sheet.wrapped(
        "hottest: while any core sensor is known and hot enough; coldest: while every placed core sensor is known and "
        "hot enough. A silent sensor makes the coldest unknown.",
        "  ", "  ",
    )  # fmt: skip
    return lines


def _cells(hours: dict[str, float | None]) -> str:
    return "".join(f"{hours_text(hours.get(str(threshold))):>8}" for threshold in THRESHOLDS_C)


def _cycles(report: HeatReport, sheet: Sheet) -> list[str]:
    if not report.turns:
        return ["Turns", "  none recorded"]
    hot = sheet.threshold(55)
    lines = [f"Between turns     {'to':<16}{f'h over {hot}':>11}{'peak':>10}{'load':>7}  counts"]
    for cycle in report.cycles:
        counts = {True: "yes", False: "no", None: "still running"}[cycle.counts]
        load = NONE if cycle.load is None else f"{cycle.load:.2f}"
        lines.append(
            f"  {sheet.time(cycle.from_)}  {sheet.time(cycle.to)}{hours_text(cycle.hours_above_55):>9}"
            f"{sheet.temperature(cycle.peak_c):>10}{load:>7}  {counts}"
        )
        if cycle.counts is False:
            lines += sheet.wrapped(cycle.why, " " * 6, " " * 6)
    lines += [
        f"  turn {sheet.time(turn.at)} found in the curve, {turn.state}"
        for turn in report.turns
        if turn.source == "detected"
    ]
    return lines


def _rules(report: HeatReport, sheet: Sheet) -> list[str]:
    if not report.rules:
        return []
    lines = ["Rules, as this program reads them; local codes and the permit decide"]
    order = {"met": 0, "open": 1, "broken": 2, "not_applicable": 3}
    for rule in sorted(
        report.rules,
        key=lambda rule: (rule.id not in sheet.asked, order[rule.status], rule.source_status == MEMORY),
    ):
        lines += _rule(rule, sheet, rule.id in sheet.asked)
    if not sheet.asked:
        lines += sheet.wrapped("Name one with --rule ID to see how it was read.", "  ")
    return lines


def _rule(rule: RuleReading, sheet: Sheet, at_length: bool) -> Iterable[str]:
    at = f", reached {sheet.time(rule.met_at)}" if rule.met_at is not None else ""
    unverified = f" [figures {MEMORY}]" if rule.source_status == MEMORY else ""
    yield f"  {STATUS_WORDS[rule.status]:<15}{rule.id:<22}{rule.title}{at}{unverified}"
    if at_length:
        yield from sheet.wrapped(rule.reading, " " * 17, " " * 17)
        for missing in rule.missing:
            yield from sheet.wrapped(f"- {missing}", " " * 17, " " * 19)
        for line in beside(rule):
            yield from sheet.wrapped(line, " " * 17, " " * 17)
        yield from sheet.wrapped(f"Source: {rule.source} ({rule.source_status}).", " " * 17, " " * 17)
    elif rule.missing:
        yield from sheet.wrapped(rule.missing[0], " " * 17, " " * 17)


def _beside(report: HeatReport, sheet: Sheet) -> list[str]:
    lines = [f"  {sensor_name(sensor)}: {sensor.fault}" for sensor in report.sensors if sensor.fault]
    for sensor in report.sensors:
        if sensor.suspect_reasons:
            reasons = ", ".join(
                f"{count} {why.replace('_', ' ')}" for why, count in sensor.suspect_reasons.items()
            )
            lines += sheet.wrapped(f"{sensor_name(sensor)}: left out of the sums: {reasons}")
    if report.lethality_index is not None:
        lines += sheet.wrapped(
            f"Lethality index {report.lethality_index:.3g} (sum of dt / D(t), 40 CFR 503.32(a)(3); information only, "
            "guidance excludes composting from that alternative)"
        )
    if report.never_hot_share is not None:
        low, high = report.never_hot_share
        lines += sheet.wrapped(f"Estimated share never hot: {low:.1%} to {high:.1%}. {report.never_hot_note}")
    return ["Beside the figures", *lines] if lines else []


def _cautions(report: HeatReport, sheet: Sheet) -> list[str]:
    if not report.cautions:
        return []
    return ["Take care", *(line for caution in report.cautions for line in sheet.wrapped(caution))]


def _meanings(report: HeatReport, sheet: Sheet) -> list[str]:
    meanings = definitions(report.max_gap_minutes, sheet.guide)
    return ["What the figures mean", *(line for text in meanings for line in sheet.wrapped(text))]
