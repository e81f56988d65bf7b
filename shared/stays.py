"""Whose a reading is, as far as thinning asks: a finished batch's, nobody's, or not to be touched yet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from shared.piles import Pile, Placement
from shared.times import DAY, Millis, Span

FOREVER = Millis(2**62)


@dataclass(frozen=True, slots=True)
class Stay:
    """``pile`` "" = nobody's."""

    span: Span
    pile: str


def stays(
    placements: Iterable[Placement], piles: Mapping[str, Pile], reach: Span, older_than: Millis, *, sums: bool
) -> Iterator[Stay]:
    """The parts of ``reach`` that may be thinned, ascending: those of batches finished before ``older_than``, and what no
    batch has, as far as it was measured before that. Open piles and batches finished later are left out.

    ``placements`` are those of one probe. ``sums`` False: of a quantity that no report rests on, so nobody's everywhere.
    """
    taken: list[tuple[Millis, Millis, str | None]] = []
    for placed in placements:
        pile = piles[placed.pile_id]
        finish = pile.finished_at
        over = FOREVER if finish is None else Millis(finish + 1)
        start = max(placed.span.start, pile.built_at)
        end = over if placed.span.end in {None, finish} else min(placed.span.end or over, over)
        if start < end:
            taken.append((start, end, pile.id if finish is not None and finish < older_than else None))
    at = reach.start
    last = min(older_than, FOREVER if reach.end is None else reach.end)
    for start, end, pile_id in sorted(taken, key=lambda one: one[0]):
        if at < min(start, last):
            yield Stay(Span(at, min(start, last)), "")
        low, high = max(at, start), min(end, last)
        if pile_id is not None and low < high:
            yield Stay(Span(low, high), pile_id if sums else "")
        at = max(at, end)
    if at < last:
        yield Stay(Span(at, last), "")


def without(span: Span, done: Iterable[Span]) -> Iterator[Span]:
    """What of ``span`` is in none of ``done`` (ascending)."""
    at, last = span.start, span.end if span.end is not None else FOREVER
    for one in done:
        if one.start > at and at < last:
            yield Span(at, min(one.start, last))
        at = max(at, FOREVER if one.end is None else one.end)
    if at < last:
        yield Span(at, last)


def by_day(span: Span) -> Iterator[Span]:
    """``span`` cut at every day of UTC."""
    at, end = span.start, span.end if span.end is not None else span.start
    while at < end:
        until = Millis(min((at // DAY + 1) * DAY, end))
        yield Span(at, until)
        at = until
