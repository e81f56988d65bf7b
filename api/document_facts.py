"""What the batch record says, as text in the person's units and zone: the template only lays it out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from api.document_appendix import LOG_SHOWN, ROWS_SHOWN, gaps, left_out, log, more, of_many, suspects
from api.document_build import build_data
from api.document_hash import HASH_WORDS, data_hash
from api.document_rules import rule_cards
from api.document_words import NO_CLAIM, NONE, Words, sensor_name
from shared.heat.cautions import cautions
from shared.heat.definitions import definitions
from shared.heat.report import THRESHOLDS_C, Extreme, HeatCycle, HeatReport, SensorHeat
from shared.piles import Pile

if TYPE_CHECKING:
    from api.documents import Setting
    from shared.heat_book import PileHistory


CYCLES_ON_PAGE = 6


def batch_data(report: HeatReport, history: PileHistory, pile: Pile, setting: Setting) -> dict[str, Any]:
    words = Words(setting)
    silent, doubted = gaps(report, history, words), suspects(history, words)
    cards = rule_cards(report, setting.rules, words.time, words.local)
    logged = log(report, history, words)
    cycles = [_cycle(cycle, words) for cycle in report.cycles]
    gap = f"{report.max_gap_minutes:g}"
    return {
        "title": setting.title,
        "paper": setting.paper,
        "written": f"times in {setting.zone}; state of {words.time(report.as_of)}",
        "footer": NO_CLAIM,
        "facts": _facts(report, pile, words),
        **build_data(report, pile, history.notes, words),
        "level": report.risk.level,
        "chart_words": _chart_words(history),
        "thresholds": [words.threshold(t) for t in THRESHOLDS_C],
        "hours": _hours(report, words),
        "hours_words": (
            f"Hours in {words.unit}. Hottest: while any core sensor is at or over it; coldest: while every placed core "
            f"sensor is known and at or over it. Straight lines between readings at most {gap} min apart; gaps count "
            "as nothing."
        ),
        "cycle_head": f"h at or over {words.threshold(55)}",
        "cycles": cycles[-CYCLES_ON_PAGE:],
        "cycles_all": cycles if len(cycles) > CYCLES_ON_PAGE else [],
        "cycles_words": f"The last {CYCLES_ON_PAGE} of {len(cycles)}; all stand in the appendix." * (len(cycles) > CYCLES_ON_PAGE),
        "rules": cards.on_page,
        "rules_words": cards.words,
        "readings": cards.in_appendix,
        "cautions": [words.local(line) for line in report.cautions],
        "cautions_all": [words.local(line) for line in report.cautions or cautions("none", opens_pile=True)],
        "sensors": [_sensor(sensor, words) for sensor in report.sensors],
        "sensors_words": f"Good: readings that the sums use; left out: shown but not used. h = hours at or over, {words.unit}.",
        "left_out": [words.local(line) for line in left_out(report)],
        "log": [row for _, row in logged[-LOG_SHOWN:]],
        "log_words": f"The last {LOG_SHOWN} of {len(logged)}." if len(logged) > LOG_SHOWN else "",
        "suspects": [row for _, row in doubted[:ROWS_SHOWN]],
        "suspects_words": of_many(doubted),
        "max_gap": gap,
        "gaps": [row for _, row in silent[:ROWS_SHOWN]],
        "gaps_words": of_many(silent),
        "more": [words.local(line) for line in more(report)],
        "definitions": [words.local(line) for line in definitions(report.max_gap_minutes, setting.guide)],
        "data_words": " ".join([*setting.basis, setting.hash_words or HASH_WORDS]),
        "hash": setting.data_hash or data_hash(history),
    }  # fmt: skip


def _cycle(cycle: HeatCycle, words: Words) -> list[str]:
    return [
        words.time(cycle.from_), words.time(cycle.to), _h(cycle.hours_above_55), words.temperature(cycle.peak_c),
        NONE if cycle.load is None else f"{cycle.load:.2f}", words.local(_counts(cycle)),
    ]  # fmt: skip


def _counts(cycle: HeatCycle) -> str:
    if cycle.counts is None:
        return cycle.why or "still running"
    return "yes" if cycle.counts else f"no: {cycle.why}"


def _h(hours: float | None) -> str:
    return NONE if hours is None else f"{hours:.1f}"


def _facts(report: HeatReport, pile: Pile, words: Words) -> list[list[tuple[str, str]]]:
    firsts = [sensor.first_at for sensor in report.sensors if sensor.first_at is not None]
    lasts = [sensor.last_at for sensor in report.sensors if sensor.last_at is not None]
    counted = [turn for turn in report.turns if turn.state == "confirmed"]
    readings = sum(sensor.readings for sensor in report.sensors)
    suspect = sum(sensor.suspect for sensor in report.sensors)
    left = [
        ("site", words.site or NONE),
        ("pile", pile.peg or NONE),
        ("built", words.time(report.built_at)),
        ("finished", words.time(pile.finished_at)),
        ("kind, volume", ", ".join(_kind(pile)) or NONE),
    ]
    right = [
        ("record", f"{words.time(min(firsts, default=None))} to {words.time(max(lasts, default=None))}"),
        (
            "readings",
            f"{readings} from {_sensors(len(report.sensors))}" + (f", {suspect} left out" if suspect else ""),
        ),
        ("turns", f"{len(counted)} recorded" if counted else "none recorded"),
        ("phase", f"{report.phase}; hottest core {words.temperature(report.hottest.now_c)}"),
        ("running hot", words.local(": ".join([report.risk.level, *report.risk.reasons[:1]]))),
    ]
    return [[fact for fact in left if fact[1] != NONE], right]


def _sensors(count: int) -> str:
    return f"{count} sensor{'s' * (count != 1)}"


def _kind(pile: Pile) -> Iterable[str]:
    if pile.kind:
        yield pile.kind
    if pile.volume_l:
        yield f"{pile.volume_l / 1000:.3g} m³"


def _chart_words(history: PileHistory) -> str:
    depths = len({(sensor.key.probe, sensor.key.depth) for sensor in history.sensors})
    return (
        f"The curve of {_sensors(depths)}: lines break where nothing is known and at recorded turns; "
        "thresholds, turns, gaps and readings left out are drawn."
    )


def _hours(report: HeatReport, words: Words) -> list[dict[str, Any]]:
    rows: list[tuple[str, Extreme, bool]] = [
        ("hottest of the core, in all", report.hottest, False),
        ("hottest of the core, longest stretch", report.hottest, True),
        ("coldest of the core, in all", report.coldest, False),
        ("coldest of the core, longest stretch", report.coldest, True),
    ]
    return [
        {
            "name": name,
            "cells": [
                _h((extreme.longest_spell_hours if longest else extreme.hours_above).get(str(t))) for t in THRESHOLDS_C
            ],
            "peak": "" if longest else words.temperature(extreme.peak_c),
        }
        for name, extreme, longest in rows
    ]  # fmt: skip


def _sensor(sensor: SensorHeat, words: Words) -> list[str]:
    return [
        sensor_name(sensor), sensor.zone, str(sensor.readings), str(sensor.suspect),
        words.time(sensor.first_at), words.time(sensor.last_at),
        *(_h(sensor.hours_above.get(str(t))) for t in THRESHOLDS_C), _h(sensor.gap_hours),
    ]  # fmt: skip
