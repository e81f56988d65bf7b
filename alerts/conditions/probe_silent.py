"""A probe that stands in an open pile has not spoken for three of its intervals (at least 30 minutes).

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
    if heard is None or deadline is None:
        return Verdict("unknown", "never_heard", subject=placed.name)
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


def _severity(snapshot: Snapshot) -> Severity:
    """A pile whose heat is over is not left unwatched by a silent probe."""
    phase = snapshot.report.phase if snapshot.report else "unknown"
    return "info" if phase in {"curing", "finished"} else "act"


CONDITION = Condition(
    "probe_silent", ("pile",), judge, close_hold_ms=LEAST_SILENCE_MS, retell_after_ms=12 * HOUR
)
