"""A condition of a pile, probe or the service that opens, worsens, is acknowledged, and closes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from shared.times import Millis

NoticeKind = Literal[
    "turn_soon", "turn_due", "turn_overdue", "cool_pile", "fire_watch", "not_heating", "cooled", "rule_met",
    "probe_silent", "probe_fault", "battery_low", "turn_found", "service_trouble", "morning_round",
]  # fmt: skip
Severity = Literal["info", "act", "urgent"]
SEVERITIES: tuple[Severity, ...] = ("info", "act", "urgent")
EpisodeState = Literal["open", "acknowledged", "snoozed", "resolved"]


@dataclass(frozen=True, slots=True)
class Episode:
    """``subject`` says what it is about within the site: ``""`` the pile itself, else a probe, a rule id, a loop."""

    id: str
    kind: NoticeKind
    site: str | None
    pile_id: str | None
    subject: str
    severity: Severity
    state: EpisodeState
    opened_at: Millis
    reason: str  # the condition's named reason, e.g. "load_reached_1"
    figures: dict[str, Any] = field(default_factory=dict)
    worsened_at: Millis | None = None
    acknowledged_at: Millis | None = None
    acknowledged_by: str = ""
    snoozed_until: Millis | None = None
    resolved_at: Millis | None = None
    resolved_reason: str = ""
    clear_since: Millis | None = (
        None  # since when the close threshold has held (hysteresis), exact after a restart
    )
    holds: dict[str, Any] = field(default_factory=dict)  # what a condition must remember between ticks
