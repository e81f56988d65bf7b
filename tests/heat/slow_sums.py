"""The same sums by another way, slow and exact: each straight piece as fractions, instants sorted, nothing kept."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from shared.readings import Curve

Piece = tuple[int, float, int, float]
Pairs = list[tuple[Fraction, Fraction]]


def pieces(
    curve: Curve, max_gap_ms: int, stays: Sequence[tuple[int, int]], turns: Sequence[int]
) -> list[Piece]:
    """The straight pieces of one sensor; stays are closed at their start and open at their end."""
    rows = [
        (int(at), float(value))
        for at, value in zip(curve.at, curve.value, strict=True)
        if value == value and any(start <= at < end for start, end in stays)  # noqa: PLR0124 - not a number
    ]
    found = []
    for (t0, x0), (t1, x1) in pairwise(rows):
        turned = any(t0 <= turn < t1 for turn in turns)
        same_stay = any(start <= t0 and t1 < end for start, end in stays)
        if t1 - t0 <= max_gap_ms and not turned and same_stay:
            found.append((t0, x0, t1, x1))
    return found


def over(found: Sequence[Piece], threshold_c: float) -> Pairs:
    """Closed stretches in which the line is at or over the threshold, joined where they touch."""
    stretches: Pairs = []
    limit = Fraction(threshold_c)
    for t0, x0, t1, x1 in found:
        a, b = Fraction(x0) - limit, Fraction(x1) - limit
        if a < 0 and b < 0:
            continue
        cross = t0 + (t1 - t0) * a / (a - b) if (a < 0) != (b < 0) else None
        start = Fraction(t0) if a >= 0 else cross
        end = Fraction(t1) if b >= 0 else cross
        assert start is not None
        assert end is not None
        if stretches and stretches[-1][1] == start:
            stretches[-1] = (stretches[-1][0], end)
        else:
            stretches.append((start, end))
    return [(start, end) for start, end in stretches if end > start]


def any_of(many: Sequence[Pairs]) -> Pairs:
    joined: Pairs = []
    for start, end in sorted(stretch for one in many for stretch in one):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return joined


def all_of(many: Sequence[Pairs], asked: Sequence[Sequence[tuple[int, int]]]) -> Pairs:
    """Where every sensor that is asked holds, at least one being asked."""
    edges = sorted(
        {edge for one in many for stretch in one for edge in stretch}
        | {Fraction(edge) for one in asked for span in one for edge in span}
    )
    found: Pairs = []
    for start, end in pairwise(edges):
        middle = (start + end) / 2
        wanted = [any(a <= middle < b for a, b in spans) for spans in asked]
        holds = [any(a <= middle <= b for a, b in one) for one in many]
        if any(wanted) and all(there or not want for there, want in zip(holds, wanted, strict=True)):
            if found and found[-1][1] == start:
                found[-1] = (found[-1][0], end)
            else:
                found.append((start, end))
    return found


def total(stretches: Pairs) -> Fraction:
    return sum((end - start for start, end in stretches), Fraction(0))


def longest(stretches: Pairs) -> Fraction:
    return max((end - start for start, end in stretches), default=Fraction(0))
