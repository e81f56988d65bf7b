"""What the sums of a pile rest on, said in words: probes, hand readings, and how much of its life is known."""

from __future__ import annotations

from shared.heat.engine import PileHeat
from shared.heat.exposure import KNOWN
from shared.heat.hand_tracks import JOINED, NEAR_CM
from shared.heat.report import Coverage, RuleReading
from shared.heat.screening import GOOD
from shared.times import HOUR, Millis


def coverage_of(heat: PileHeat, now: Millis) -> Coverage:
    """``known_share``: of the time since the build, how much a line of any core sensor covers."""
    pile = heat.facts.pile
    end = now if pile.finished_at is None else min(now, pile.finished_at)
    life = end - pile.built_at
    share = None if life <= 0 else min(1.0, heat.spells(KNOWN, "hottest")[0] / life)
    hand = heat.hand
    count = 0 if hand is None else sum(int(line.rows.by_reason[GOOD]) for line in hand.depths().values())
    probes = any(stand is not hand and stand.zone != "ambient" for stand in heat.stands)
    if not count:
        return Coverage(by="probes" if probes else "none", hand_readings=0, known_share=share)
    note = (
        f"{'Partly read' if probes else 'Read'} by hand: {count} hand reading{'s' * (count > 1)} where no probe stands. "
        f"Between two at most {heat.hand_gap_ms / HOUR:g} h apart a straight line is assumed; what happened between was "
        "not seen."
    )
    joined = [] if hand is None else [depth for depth in hand.depths() if depth.endswith(JOINED)]
    if joined:
        note += (
            f" Read at changing depths: {' and '.join(joined)} {'is one track' if len(joined) == 1 else 'are a track each'}"
            f", as the depths lie within {NEAR_CM:g} cm of each other; a step between them may be the depth's."
        )
    if share is not None:
        note += f" In all {share:.0%} of the time since the build is covered."
    return Coverage(by="both" if probes else "hand", hand_readings=count, known_share=share, note=note)


def read_by_hand(reading: RuleReading, coverage: Coverage) -> RuleReading:
    """The same verdict, with what it rests on."""
    if not coverage.note:
        return reading
    return reading.model_copy(update={"reading": f"{reading.reading} {coverage.note}"})
