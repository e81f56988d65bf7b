"""A probe's readings cannot be trusted: pulled out, stuck, all depths equal, 85.0 repeated, driver's words for no value.

One notice for one probe, however many of its depths are at fault.
"""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import ALARMING_MS, Condition, Verdict, known
from alerts.snapshot import Snapshot
from shared.episodes import Severity
from shared.heat.faults import EQUAL_DEPTHS, NO_VALUES, STUCK
from shared.heat.report import HeatReport, SensorHeat
from shared.spoken import depth_words
from shared.times import HOUR, Millis

FRESH_MS = 3 * HOUR  # older readings do not show that a fault has gone


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    report = snapshot.report
    if report is None:
        return []
    standing = {placed.name for placed in snapshot.probes}
    by_probe: dict[str, list[SensorHeat]] = {}
    for sensor in report.sensors:
        if sensor.probe in standing:
            by_probe.setdefault(sensor.probe, []).append(sensor)
    return [_judge_one(snapshot, report, probe, sensors) for probe, sensors in by_probe.items()]


def _judge_one(snapshot: Snapshot, report: HeatReport, probe: str, sensors: list[SensorHeat]) -> Verdict:
    # a dead sensor has no good reading of late; any other fault is judged by readings, and old ones alarm nobody
    faulty = [s for s in sensors if s.fault and (NO_VALUES in s.fault or _late(s, snapshot.now))]
    if faulty:
        figures = known(
            probe=probe,
            depth=", ".join(depth_words(s.depth_cm, s.level) for s in faulty),
            fault=faulty[0].fault,
            depths_at_fault=len(faulty),
            depths=len(sensors),
        )
        return Verdict("bad", "reading_not_trusted", _severity(report, faulty), probe, figures)
    last = max((s.last_at for s in sensors if s.last_at is not None), default=None)
    if last is None or snapshot.now - last > FRESH_MS:
        return Verdict("unknown", "no_fresh_reading", subject=probe)
    return Verdict("ok", "reads_well", subject=probe, figures={"probe": probe})


def _late(sensor: SensorHeat, now: Millis) -> bool:
    return sensor.last_at is not None and now - sensor.last_at <= ALARMING_MS


def _severity(report: HeatReport, faulty: list[SensorHeat]) -> Severity:
    """A steady pile can look stuck: worth a look, not a walk at once. Nor is a pile whose heat is over."""
    grave = [s for s in faulty if (s.fault or "").replace(STUCK, "").replace(EQUAL_DEPTHS, "").strip("; ")]
    if not grave or report.phase in {"curing", "finished"}:
        return "info"
    return "act"


CONDITION = Condition("probe_fault", ("pile",), judge, close_hold_ms=6 * HOUR, retell_after_ms=24 * HOUR)
