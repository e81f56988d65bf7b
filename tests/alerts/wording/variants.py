"""Other figures of a kind of notice than the plain ones, or another scene."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from alerts.wording import Beside
from shared.episodes import NoticeKind
from shared.heat.faults import EQUAL_DEPTHS
from shared.piles import Pile
from shared.times import HOUR, MINUTE
from tests.alerts.wording.scenes import FIGURES, GUIDE, HEAT, NOW, PILE, StillScene, episode, report


@dataclass(frozen=True)
class Variant:
    """Other figures of a kind than the plain ones, or another scene."""

    name: str
    kind: NoticeKind
    figures: dict[str, Any]
    scene: StillScene | None = None
    also: tuple[NoticeKind, ...] = ()
    beside: tuple[tuple[str, NoticeKind, str], ...] = ()


def beside(peg: str, kind: NoticeKind, reason: str) -> Beside:
    """Another pile of the same round."""
    other = Pile(f"pile-{peg}", "larkfield", peg, PILE.built_at)
    celsius = FIGURES[kind].get("hottest_c", 61.0)
    there = StillScene(pile=other, report=report(celsius), guide=GUIDE)
    return Beside(episode(kind), there, reason, lambda act: f"https://yard.example/do/{act}-{peg}")


VARIANTS = (
    Variant("due by a time to come", "turn_due", {"by_at": NOW + 3 * HOUR}),
    Variant("due on another day", "turn_soon", {"due_at": NOW + 20 * HOUR}),
    Variant(
        "nothing known but the load",
        "turn_due",
        {"threshold_c": None, "hours": None, "limit_h": None, "load": 1.02},
    ),
    Variant("no figures at all", "turn_soon", dict.fromkeys(HEAT), StillScene(report=report(None))),
    Variant("not turned yet", "turn_overdue", {"last_turn_at": None, "turns_counted": 0}),
    Variant("a cool pile needs no cautions", "turn_due", {"hottest_c": 41.0}),
    Variant("more turns than were asked for", "turn_due", {"turns_counted": 3}),
    Variant(
        "an old reading",
        "turn_overdue",
        {"measured_at": NOW - 9 * HOUR},
        StillScene(report=report(63.2, 9 * HOUR)),
    ),
    Variant("two things at once", "turn_due", {}, None, ("battery_low", "cool_pile")),
    Variant("at the top rung", "cool_pile", {"hottest_c": 70.5, "threshold_c": 70.0, "hours": 2.0}),
    Variant("too hot for too long", "cool_pile", {"hottest_c": 67.0, "threshold_c": 65.0, "hours": 30.0}),
    Variant("volts", "battery_low", {"battery_percent": None, "battery_volt": 3.31, "limit_volt": 3.3}),
    Variant("nearly empty", "battery_low", {"battery_percent": 4.0, "empty": True}),
    Variant("never heard", "probe_silent", {"never_heard": True, "placed_at": NOW - 4 * HOUR}),
    Variant("all depths alike", "probe_fault", {"depth": "15 cm, 45 cm", "fault": EQUAL_DEPTHS}),
    Variant(
        "smoke was noted",
        "fire_watch",
        {"hottest_c": 61.0, "fault": None, "reasons": ["smoke was noted at 2026-11-25 13:10 UTC"]},
    ),
    Variant(
        "hours on several rungs of the guide",
        "turn_due",
        {
            "hours": 20.0,
            "load": 1.0,
            "rungs": [
                {"from_c": 55.0, "hours": 6.0, "limit_h": 72.0},
                {"from_c": 60.0, "hours": 4.0, "limit_h": 48.0},
                {"from_c": 65.0, "hours": 20.0, "limit_h": 24.0},
            ],
        },
    ),
    Variant("cooler now than it was", "turn_overdue", {"threshold_c": 65.0, "hours": 26.0, "limit_h": 24.0}),
    Variant(
        "over the top rung",
        "turn_due",
        {"hottest_c": 71.2, "threshold_c": 70.0, "hours": 0.5, "limit_h": 0.0},
    ),
    Variant(
        "the outlook is not sure",
        "turn_soon",
        {"earliest_at": NOW - 30 * MINUTE + HOUR, "latest_at": NOW + 6 * HOUR},
    ),
    Variant(
        "a whole site silent",
        "service_trouble",
        {"part": "radio", "probes": 9, "since_at": NOW - 2 * HOUR, "why": None},
        StillScene(pile=None),
    ),
    Variant(
        "a channel given up",
        "service_trouble",
        {"part": "channel", "channel_kind": "email", "why": "mail server: 550 no such user"},
        StillScene(pile=None, site=None),
    ),
    Variant(
        "a round of five",
        "turn_overdue",
        {},
        also=("battery_low",),
        beside=(
            ("K-02", "turn_due", "first"),
            ("K-11", "turn_soon", "reminder"),
            ("K-03", "probe_silent", "first"),
            ("K-09", "cool_pile", "resolved"),
        ),
    ),
    Variant("nothing to do this morning", "morning_round", {}, StillScene(pile=None, round=())),
)
