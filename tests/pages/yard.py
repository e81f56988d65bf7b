"""An invented yard for the pages' tests: piles with curves, turns, notes, people, notices, in real stores."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared.episodes import Episode
from shared.notices import Notice
from shared.people import Channel, Person, Subscription
from shared.piles import FieldNote, NoteKind, Pile, Placement, Site, Turn
from shared.ports import ReadingsStore, Registry
from shared.readings import Reading, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span, parse_time

NOW = parse_time("2026-11-25T13:20:00Z")
SITE = Site("larkfield", "Larkfield Yard", "Europe/Dublin")
SECOND_SITE = Site("hollow", "Hollow Field", "America/New_York")
DEPTHS = ("20", "45", "75")
STEP = 20 * MINUTE


@dataclass(frozen=True)
class Sketch:
    """A pile in a few strokes. Days count back from NOW."""

    peg: str
    age_d: float
    top_c: float = 66.0
    turns_ago_d: tuple[float, ...] = ()
    silent_h: float = 0.0
    finished_ago_d: float | None = None
    kind: str = "caged"
    rules: tuple[str, ...] = ("three-turns",)
    site: str = SITE.slug
    probe: bool = True
    notes: tuple[tuple[float, NoteKind, dict[str, Any]], ...] = ()
    mix: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        return f"pile-{self.peg}"

    @property
    def built_at(self) -> Millis:
        return Millis(NOW - round(self.age_d * DAY))


LARKFIELD: tuple[Sketch, ...] = (
    Sketch("K-01", 6.2, 63.5, (2.1,), notes=((2.1, "water", {"litres": 40}), (0.9, "hand_reading", {"celsius": 62.0, "depth_cm": 45}))),
    Sketch("K-02", 9.0, 66.5, (5.2, 2.4), mix={"carbon_to_nitrogen": 28.0, "feedstocks": [{"name": "straw", "mass_kg": 40}]}),
    Sketch("K-03", 4.0, 74.5, (), kind="windrow", rules=("us-organic-windrow",)),
    Sketch("K-04", 8.0, 33.0, ()),
    Sketch("K-05", 12.0, 60.0, (8.0, 4.5, 0.4), rules=("us-organic-windrow", "three-turns")),
    Sketch("K-06", 15.0, 58.0, (10.0, 6.0, 3.0), silent_h=9.0, notes=((1.0, "smell", {"smell": "ammonia", "smoke": False}),)),
    Sketch("K-07", 60.0, 65.0, (55.0, 51.0, 46.0, 40.0), finished_ago_d=14.0, kind="windrow", rules=("us-organic-windrow", "three-turns")),
    Sketch("K-08", 48.0, 68.0, (44.0, 40.0, 36.0), finished_ago_d=9.0),
    Sketch("K-09", 44.0, 61.0, (40.0, 36.5, 30.0), finished_ago_d=6.0, mix={"name": "leaves and grass"}),
)  # fmt: skip


def forty() -> tuple[Sketch, ...]:
    chance = np.random.default_rng(40)
    return LARKFIELD + tuple(
        Sketch(
            f"L-{index:02d}",
            float(chance.uniform(2, 18)),
            float(chance.uniform(52, 68)),
            tuple(sorted((float(d) for d in chance.uniform(0.2, 12, 3)), reverse=True)),
            silent_h=8.0 if index % 13 == 0 else 0.0,
            site=SECOND_SITE.slug if index % 3 == 0 else SITE.slug,
        )
        for index in range(1, 35)
    )


def furnish(
    registry: Registry, readings: ReadingsStore, sketches: tuple[Sketch, ...], *, stale_h: float = 0.0
) -> None:
    """Write the yard; ``stale_h`` = so long ago the whole site fell silent."""
    for site in {sketch.site for sketch in sketches}:
        registry.sites.add(SITE if site == SITE.slug else SECOND_SITE)
    for index, sketch in enumerate(sketches):
        _pile(registry, sketch)
        if sketch.probe:
            _curve(registry, readings, sketch, index, stale_h)
    if sketches:
        _people(registry, sketches)
        registry.probes.heard(sketches[0].site, "lance-99", Millis(NOW - HOUR), {"battery_percent": 64.0})
        registry.quarantine.put(
            Millis(NOW - 2 * HOUR),
            f"turnbell/{sketches[0].site}/lance-42/readings",
            "not JSON and not CBOR",
            b"\x00{oops",
        )


def heat(
    sketch: Sketch, step_ms: int = STEP, depths: tuple[str, ...] = DEPTHS
) -> tuple[NDArray[np.int64], list[NDArray[np.float64]]]:
    """Instants and one curve a depth: warms towards its top, falls at each turn, tires with age."""
    end_d = sketch.finished_ago_d or 0.0
    count = int((sketch.age_d - end_d) * DAY // step_ms)
    at = sketch.built_at + np.arange(count, dtype=np.int64) * step_ms
    chance = np.random.default_rng(sum(map(ord, sketch.peg)))
    turned = sorted(sketch.age_d - ago for ago in sketch.turns_ago_d if sketch.age_d - ago > 0)
    curves = []
    for layer, _ in enumerate(depths):
        days = np.arange(count) * step_ms / DAY
        top = sketch.top_c - 4.0 * (len(depths) - 1 - layer) - np.maximum(0, days - 6) * 0.9
        celsius = np.empty(count)
        now_c, next_turn = 12.0, 0
        rate = 1 - np.exp(-2.0 * step_ms / DAY)
        for index in range(count):
            if next_turn < len(turned) and days[index] >= turned[next_turn]:
                now_c -= 15.0
                next_turn += 1
            now_c += (max(12.0, top[index]) - now_c) * rate
            celsius[index] = now_c
        curves.append(np.round(celsius + chance.normal(0, 0.15, count), 2))
    return at, curves


def _pile(registry: Registry, sketch: Sketch) -> None:
    registry.piles.add(
        Pile(
            id=sketch.id, site=sketch.site, peg=sketch.peg, built_at=sketch.built_at, volume_l=1100.0,
            kind=sketch.kind, rule_ids=sketch.rules, mix=sketch.mix or None,
        )
    )  # fmt: skip
    for number, ago in enumerate(sketch.turns_ago_d):
        if ago < sketch.age_d:
            registry.piles.add_turn(
                Turn(f"turn-{sketch.peg}-{number}", sketch.id, Millis(NOW - round(ago * DAY)), by="Maker")
            )
    for number, (ago, kind, figures) in enumerate(sketch.notes):
        registry.piles.add_note(
            FieldNote(
                f"note-{sketch.peg}-{number}",
                sketch.id,
                kind,
                Millis(NOW - round(ago * DAY)),
                figures=figures,
                by="Maker",
            )
        )


def _curve(registry: Registry, readings: ReadingsStore, sketch: Sketch, index: int, stale_h: float) -> None:
    probe = (
        f"lance-{sketch.peg[-2:]}"
        if sketch.site == SITE.slug and sketch.peg.startswith("K")
        else f"lance-{sketch.peg}"
    )
    at, curves = heat(sketch)
    kept = at <= NOW - max(stale_h, sketch.silent_h) * HOUR
    batch = [
        Reading(SensorKey(sketch.site, probe, depth), Millis(int(when)), float(celsius), Millis(int(when)))
        for depth, curve in zip(DEPTHS, curves, strict=True)
        for when, celsius in zip(at[kept], curve[kept], strict=True)
    ]
    if index == 0 and len(batch) > 200:
        batch[100] = Reading(batch[100].sensor, batch[100].at, 85.0, batch[100].received_at)
    readings.append(batch)
    registry.probes.heard(
        sketch.site,
        probe,
        Millis(int(at[kept][-1])),
        {"battery_percent": 9.0 if sketch.peg == "K-06" else 84.0, "interval_ms": STEP},
    )
    end = None if sketch.finished_ago_d is None else Millis(NOW - round(sketch.finished_ago_d * DAY))
    registry.probes.place(
        Placement(f"place-{sketch.peg}", sketch.site, probe, sketch.id, Span(sketch.built_at, end), "middle")
    )
    if end is not None:
        registry.piles.change(sketch.id, finished_at=end)


def _people(registry: Registry, sketches: tuple[Sketch, ...]) -> None:
    site = sketches[0].site
    registry.people.add(Person("person-1", "Maker", "Europe/Dublin"))
    registry.people.add(Person("person-2", "Yard manager", "Europe/Dublin", on_duty="Mon-Fri 07:00-18:00"))
    registry.people.add_channel(Channel("channel-1", "person-1", "email", "maker@example.org"))
    registry.people.add_channel(
        Channel("channel-2", "person-2", "webhook", "https://hooks.example.org/yard", secret="s")
    )
    registry.people.subscribe(Subscription("wish-1", "person-1", site=site))
    registry.people.subscribe(Subscription("wish-2", "person-2", min_severity="act"))
    hot = sketches[0]
    registry.episodes.put(
        Episode(
            "episode-1", "turn_due", site, hot.id, "", "act", "open", Millis(NOW - 2 * HOUR), "load_reached_1"
        )
    )
    registry.notices.put(
        Notice(
            "notice-1", "episode-1", "turn_due", "act", "person-1", "channel-1", "first", Millis(NOW - 2 * HOUR),
            f"{hot.peg} wants a turn by 16:00", f"{hot.peg} wants a turn by 16:00. Core 63.1 °C. Turn 2 of 3.",
            pile_id=hot.id, peg=hot.peg, site=site, state="sent", sent_at=Millis(NOW - 2 * HOUR + 4000), tries=1,
        )
    )  # fmt: skip
