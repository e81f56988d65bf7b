"""Hand readings as a sensor of their own, where no probe stands; beside a probe they are shown and take no part."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from shared.heat.facts import PileFacts
from shared.heat.hand_tracks import hand_tracks
from shared.heat.spans import FOREVER, complement, union
from shared.heat.stands import Stand
from shared.piles import Placement
from shared.readings import ArrivalMark, canonical_depth
from shared.times import HOUR, Millis, Span

BY_HAND = "by hand"
"""Stands where a probe's name does. With its space it is no name that a probe can have."""
HAND_GAP_MS = 26 * HOUR
"""A straight line is drawn between two hand readings at most this far apart: a round once a day, two hours late (our
choice). What happened between is not seen, and every report says so."""
POSITION = "hand thermometer"
NO_DEPTH = "depth not noted"

Readings = tuple[str, NDArray[np.int64], NDArray[np.float64]]


def hand_only(facts: PileFacts) -> bool:
    """Whether no probe ever stood in the pile, but somebody read it."""
    return not _probes(facts) and any(True for _ in _rows(facts))


def hand_stand(facts: PileFacts, max_gap_ms: int) -> Stand | None:
    """The track of the hand readings in the times in which no probe stands in the pile; None = there are none such."""
    start, finish = facts.pile.built_at, facts.pile.finished_at
    stays = [
        np.array([[p.span.start, FOREVER if p.span.end is None else p.span.end]]) for p in _probes(facts)
    ]
    free = complement(union(stays), start, FOREVER if finish is None else finish + 1)
    placements = [
        Placement(
            f"{BY_HAND} {number}", facts.pile.site, BY_HAND, facts.pile.id,
            Span(Millis(low), None if high >= FOREVER or high == (finish or 0) + 1 else Millis(high)), POSITION,
        )
        for number, (low, high) in enumerate(free.tolist())
        if high > low
    ]  # fmt: skip
    if not placements:
        return None
    stand = Stand(facts, placements, max(HAND_GAP_MS, max_gap_ms))
    taken = []
    for depth, at, value in _by_depth(facts):
        inside = stand.covers(at)
        if inside.any():
            taken.append((depth, at[inside], value[inside]))
    tracks = hand_tracks({depth: at for depth, at, _ in taken})
    for depth, at, value in taken:
        stand.line(tracks[depth]).put(at, value, np.full(len(at), int(ArrivalMark.BY_HAND), dtype=np.uint8))
    return stand if stand.lines else None


def _by_depth(facts: PileFacts) -> list[Readings]:
    """By depth: instants and °C, ascending."""
    rows: dict[str, list[tuple[int, float]]] = {}
    for at, depth, celsius in _rows(facts):
        rows.setdefault(depth, []).append((at, celsius))
    return [
        (
            depth,
            np.array([at for at, _ in found], dtype=np.int64),
            np.array([celsius for _, celsius in found], dtype=np.float64),
        )
        for depth, found in sorted(rows.items())
    ]


def _rows(facts: PileFacts) -> Iterator[tuple[int, str, float]]:
    for note in sorted(facts.notes, key=lambda note: (note.at, note.id)):
        celsius = note.figures.get("celsius")
        if note.kind == "hand_reading" and isinstance(celsius, int | float):
            depth = note.figures.get("depth_cm")
            yield note.at, NO_DEPTH if depth is None else canonical_depth(depth), float(celsius)


def _probes(facts: PileFacts) -> list[Placement]:
    return [placed for placed in facts.placements if placed.zone != "ambient"]
