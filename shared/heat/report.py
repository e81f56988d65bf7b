"""HeatReport: all that the sums say of a pile. Inside, instants are Millis; as JSON, ISO 8601 UTC with Z.

Unknown is None, never 0. Durations are hours. Keys of ``hours_above`` are the thresholds in °C as text.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, WithJsonSchema

from shared.piles import TurnSource, TurnState, Zone
from shared.times import Millis, iso

THRESHOLDS_C: tuple[int, ...] = (40, 45, 50, 55, 60, 65, 70)

At = Annotated[
    Millis,
    PlainSerializer(iso, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time"}, mode="serialization"),
]
Hours = float
Phase = Literal["unknown", "heating", "hot", "cooling", "curing", "finished"]
TurnStateNow = Literal["not_yet", "soon", "due", "overdue", "none"]
CoveredBy = Literal["none", "probes", "hand", "both"]
MoistureState = Literal["unknown", "dry", "right", "wet"]
RiskLevel = Literal["none", "watch", "high", "danger"]
RuleStatus = Literal["met", "open", "broken", "not_applicable"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True, serialize_by_alias=True)


class SensorHeat(_Part):
    probe: str
    depth_cm: float | None
    level: str | None = None  # where a sensor has a name instead of a depth
    position: str
    zone: Zone
    readings: int  # good ones
    suspect: int  # kept, shown, left out of the sums
    suspect_reasons: dict[str, int] = Field(default_factory=dict)
    first_at: At | None
    last_at: At | None
    last_c: float | None
    peak_c: float | None
    peak_at: At | None
    hours_above: dict[str, Hours | None]
    longest_spell_hours: dict[str, Hours | None]
    gap_hours: Hours | None
    fault: str | None = None
    left_out: str | None = None  # the stated reason why the coldest does not ask this sensor


class Extreme(_Part):
    """The hottest (union) or the coldest (intersection) of the core sensors, or of a rule's zone."""

    now_c: float | None
    peak_c: float | None
    peak_at: At | None
    hours_above: dict[str, Hours | None]
    longest_spell_hours: dict[str, Hours | None]


class ReportTurn(_Part):
    id: str | None = None
    at: At
    source: TurnSource
    state: TurnState
    note: str = ""


class RungHours(_Part):
    """Time of a cycle that the hottest core reading spent on one rung of the guide: from ``from_c`` up to the next."""

    from_c: float
    hold_h: Hours  # how long the guide allows there; 0 = not at all
    hours: Hours
    hours_over: Hours  # at or over ``from_c``, the hotter rungs with it


class HeatCycle(_Part):
    from_: At = Field(alias="from")
    to: At
    hours_above_55: Hours | None
    peak_c: float | None
    load: float | None
    counts: bool | None  # whether the turn that ended it came after enough heat; None for the running cycle
    why: str = ""
    rungs: list[RungHours] | None = (
        None  # those of the guide that it stood on; None = nothing is known of the core
    )


class TurnOutlook(_Part):
    """What the turning guide says now. ``load`` >= 1 = due; ``due_at`` = when it was or will be reached."""

    guide: str
    load: float | None
    due_at: At | None
    earliest: At | None
    latest: At | None
    counted: int
    required: int
    state: TurnStateNow
    why: str = ""


class Risk(_Part):
    level: RiskLevel
    reasons: list[str]
    since: At | None


class Coverage(_Part):
    """What the sums rest on. ``known_share``: how much of the time since the build is known of any core sensor."""

    by: CoveredBy
    hand_readings: int  # those that stand in for a probe
    known_share: float | None
    note: str = ""  # what to bear in mind, where hand readings take part


class Moisture(_Part):
    """By hand: the last squeeze test, and what was watered since (or since the build, without one)."""

    state: MoistureState
    at: At | None
    watered_l: float | None
    built_percent: float | None  # as the mix was worked out
    words: str


class RuleReading(_Part):
    id: str
    title: str
    edition: str
    status: RuleStatus
    met_at: At | None
    have: dict[str, Any]
    need: dict[str, Any]
    reading: str
    missing: list[str]
    source: str = ""
    source_status: str = ""


class OutlookPoint(_Part):
    at: At
    c: float
    low: float
    high: float


class Crossing(_Part):
    threshold: float
    at: At
    low: At | None
    high: At | None


class HeatReport(_Part):
    pile: str | None
    as_of: At
    built_at: At | None
    phase: Phase
    sensors: list[SensorHeat]
    hottest: Extreme
    coldest: Extreme
    turns: list[ReportTurn]
    cycles: list[HeatCycle]
    turn: TurnOutlook
    risk: Risk
    rules: list[RuleReading]
    outlook: list[OutlookPoint]
    outlook_note: str = ""  # why there is none, in words
    crossings: list[Crossing]
    lethality_index: float | None
    never_hot_share: list[float] | None  # [low, high]
    never_hot_note: str = ""
    cautions: list[str]
    max_gap_minutes: float
    coverage: Coverage = Coverage(by="none", hand_readings=0, known_share=None)
    moisture: Moisture = Moisture(state="unknown", at=None, watered_l=None, built_percent=None, words="")
