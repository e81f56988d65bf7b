"""A yard with two finished batches of long ago, an open pile, a probe that nobody placed, batteries, all at 2 minutes."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from deploy.house import House, open_house
from shared.heat.report import HeatReport
from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.probes import Calibration
from shared.readings import Quantity, Reading, SensorKey
from shared.settings import Settings
from shared.times import DAY, HOUR, MINUTE, Millis, Span, parse_time

BUILT = parse_time("2024-03-01T09:03:00Z")
DAYS = 2
FINISHED = Millis(BUILT + DAYS * DAY)
NOW = Millis(FINISHED + 500 * DAY)
THIN = Settings.model_validate(
    {"keeping": tomllib.loads("ten_minutes_after_days = 100\nhourly_after_days = 400")}
)
STEP = 2 * MINUTE
EVER = Span(Millis(0))


class SetClock:
    def __init__(self, at: Millis) -> None:
        self.at = at

    def now(self) -> Millis:
        return self.at


@contextmanager
def opened(data: Path, settings: Settings = THIN, now: Millis = NOW) -> Iterator[House]:
    house = replace(open_house(data, settings, create=True), clock=SetClock(now))
    try:
        yield house
    finally:
        house.close()


def fill(house: House, seed: int = 1) -> None:
    registry, random = house.registry, np.random.default_rng(seed)
    registry.sites.add(Site("yard", "Larkfield Yard", "Europe/Dublin"))
    registry.piles.add(
        Pile("old", "yard", "K-01", BUILT, FINISHED, rule_ids=tuple(sorted(house.catalogue.rules)[:4]))
    )
    registry.piles.add(Pile("later", "yard", "K-02", BUILT, Millis(FINISHED + 450 * DAY)))
    registry.piles.add(Pile("open", "yard", "K-01", FINISHED))
    registry.piles.add_turn(Turn("t1", "old", Millis(BUILT + 30 * HOUR + 7 * MINUTE)))
    registry.piles.add_note(
        FieldNote("n1", "old", "squeeze", Millis(BUILT + HOUR), figures={"feel": "right"})
    )
    registry.probes.place(Placement("w1", "yard", "P1", "old", Span(BUILT, FINISHED), "core"))
    registry.probes.place(Placement("w2", "yard", "P1", "open", Span(FINISHED), "core"))
    registry.probes.place(Placement("w3", "yard", "P2", "later", Span(BUILT), "core"))
    registry.probes.calibrate(Calibration("c1", "yard", "P1", "45", -0.7, Millis(BUILT + DAY)))
    for probe in ("P1", "P2", "loose"):
        for depth, warmer in (("15", -6.0), ("45", 0.0), ("75", 3.0)):
            house.readings.append(heated(random, SensorKey("yard", probe, depth), warmer))
        battery: Quantity = "battery_percent"
        house.readings.append(heated(random, SensorKey("yard", probe, "", battery), 0.0))


def heated(random: np.random.Generator, key: SensorKey, warmer: float) -> list[Reading]:
    """From a day before the build to a day after the finish: heat that swings and wanders, a silence, a sensor
    that says -127 for a while, a power-on 85."""
    count = (DAYS + 2) * DAY // STEP
    at = BUILT - DAY + np.arange(count) * STEP + random.integers(0, 40_000, count)
    hours = np.arange(count) * STEP / HOUR
    celsius = 52.0 + warmer + 12.0 * np.sin(hours / 9.0) + np.cumsum(random.normal(0.0, 0.25, count))
    celsius[random.integers(0, count, 3)] = 85.0
    celsius[400:430] = -127.0
    there = (np.arange(count) < 900) | (np.arange(count) > 990)
    return [
        Reading(key, Millis(int(one)), round(float(c), 2), Millis(int(one)))
        for one, c in zip(at[there], celsius[there], strict=True)
    ]


def sums(report: HeatReport) -> list[object]:
    """What thinning leaves as it was even without the record that was put away."""
    return [
        [(one.hours_above, one.longest_spell_hours, one.gap_hours, one.peak_c, one.peak_at) for one in report.sensors],
        report.hottest.hours_above, report.hottest.longest_spell_hours, report.hottest.peak_c,
        report.coldest.hours_above, report.coldest.longest_spell_hours,
        [(one.from_, one.to, one.hours_above_55, one.peak_c) for one in report.cycles],
        [(one.id, one.status, one.met_at) for one in report.rules],
    ]  # fmt: skip
