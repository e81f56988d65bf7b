"""Which depths read by hand are one track: the same core, met a hand's breadth deeper or shallower from day to day."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from shared.times import HOUR

CORE_FROM_CM = 30.0
"""Nearer to the skin a few centimetres are many degrees, and each depth stays by itself. Our choice: in our simulated
piles the two ends of 15-30 cm lie 2.5 to 4.3 K apart (median), those of 30-45 cm 0.2 to 0.3 K."""
NEAR_CM = 15.0
"""How far apart the shallowest and the deepest of one track may lie (our choice)."""
VISIT_MS = 1 * HOUR
"""Two depths read within less than this of each other were read to tell them apart, and stay apart for good."""

JOINED = " cm"
"""How the name of a track of several depths ends; a depth by itself is a bare figure."""


def hand_tracks(read_at: Mapping[str, NDArray[np.int64]]) -> dict[str, str]:
    """By depth (canonical text): the name of its track. ``read_at``: the instants of each depth, ascending.

    A function of the set of readings alone, so that no order of arrival matters.
    """
    names = {depth: depth for depth in read_at}
    track: list[str] = []
    held = np.empty(0, dtype=np.int64)
    for _, depth in sorted((cm, depth) for depth in read_at if (cm := _core_cm(depth)) is not None):
        at = read_at[depth]
        if not track or float(depth) - float(track[0]) > NEAR_CM or _one_visit(held, at):
            track, held = [depth], at
            continue
        track.append(depth)
        held = np.sort(np.concatenate((held, at)))
        names |= dict.fromkeys(track, f"{track[0]} to {track[-1]}{JOINED}")
    return names


def _core_cm(depth: str) -> float | None:
    try:
        cm = float(depth)
    except ValueError:
        return None
    return cm if cm >= CORE_FROM_CM else None


def _one_visit(held: NDArray[np.int64], at: NDArray[np.int64]) -> bool:
    """Whether any of ``at`` lies within less than a visit of any of ``held``, both ascending and not empty."""
    place = held.searchsorted(at)
    after = held[np.minimum(place, len(held) - 1)]
    before = held[np.maximum(place - 1, 0)]
    return bool((np.minimum(np.abs(after - at), np.abs(at - before)) < VISIT_MS).any())
