"""A probe that stands in an open pile has not spoken for three of its intervals (at least 30 minutes), or never since it
was placed (three hours, while its interval is not known).

When the whole site may have gone silent it is too early to blame one probe: until it is clear which of the two it is,
the verdict is ``unknown``. It closes once the probe has kept speaking for as long as its silence was allowed to be.
"""

from __future__ import annotations

from collections.abc import Sequence

from alerts.conditions.verdict import Condition, Verdict, known
from alerts.snapshot import LEAST_SILENCE_MS, PlacedProbe, Snapshot
from shared.episodes import Severity
from shared.times import HOUR, Millis


def judge(snapshot: Snapshot) -> Sequence[Verdict]:
    if snapshot.pile is None:
        return []
    return [_judge_one(snapshot, placed) for placed in snapshot.probes]


def _judge_one(snapshot: Snapshot, placed: PlacedProbe) -> Verdict:
    heard, deadline = placed.heard_at, placed.deadline_at
    if heard is None:
        return _never_heard(snapshot, placed)
    figures = known(
        probe=placed.name,
        last_heard_at=heard,
        silent_h=(snapshot.now - heard) / HOUR,
        interval_min=placed.interval_ms / 60_000,
        hottest_c=snapshot.report.hottest.now_c if snapshot.report else None,
    )
    if snapshot.now < deadline:
        return Verdict(
            "ok",
            "heard_again",
            subject=placed.name,
            figures=figures,
            look_again_at=deadline,
            hold_ms=placed.silence_ms,
        )
    radio = snapshot.radio
    if radio is not None and radio.probes > 1 and radio.doubtful_at <= snapshot.now < radio.dark_at:
        return Verdict("unknown", "whole_site_in_doubt", subject=placed.name, look_again_at=radio.dark_at)
    return Verdict(
        "bad", "three_intervals_missed", _severity(snapshot), placed.name, figures, since=Millis(heard)
    )


def _never_heard(snapshot: Snapshot, placed: PlacedProbe) -> Verdict:
    """Placed, and not a word since: nothing is known of the pile through it, and nothing would ever say so."""
    sensors = snapshot.report.sensors if snapshot.report else []
    if any(sensor.probe == placed.name and sensor.readings for sensor in sensors):
        return Verdict("unknown", "read_from_a_file", subject=placed.name)
    if snapshot.now < placed.deadline_at:
        return Verdict("unknown", "awaited", subject=placed.name, look_again_at=placed.deadline_at)
    figures = {"probe": placed.name, "placed_at": placed.awaited_at, "never_heard": True}
    return Verdict("bad", "never_heard", _severity(snapshot), placed.name, figures, since=placed.awaited_at)


def _severity(snapshot: Snapshot) -> Severity:
    """A pile whose heat is over is not left unwatched by a silent probe."""
    phase = snapshot.report.phase if snapshot.report else "unknown"
    return "info" if phase in {"curing", "finished"} else "act"


CONDITION = Condition(
    "probe_silent", ("pile",), judge, close_hold_ms=LEAST_SILENCE_MS, retell_after_ms=12 * HOUR
)
