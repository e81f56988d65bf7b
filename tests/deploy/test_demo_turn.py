"""In the demo one turn was made and not written down: it is proposed, and nothing else is."""

from __future__ import annotations

import numpy as np

from deploy.larkfield import PILES, DemoPile
from deploy.yard import Sample, Yard, history
from shared.heat.catalogue import Catalogue
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.found_turns import found_turns
from shared.piles import Pile, Placement, Turn
from shared.readings import SensorKey
from shared.times import MINUTE, Millis, Span, parse_time

SEED = 7


def found_in(yard: Yard, pile: DemoPile, samples: list[Sample]) -> list[Millis]:
    built_at = yard.day(pile.built_day)
    facts = PileFacts(
        Pile("pile", "larkfield", pile.peg, built_at),
        (Placement("stay", "larkfield", pile.probe, "pile", Span(built_at), "middle"),),
        tuple(Turn(f"{turn.day}", "pile", yard.day(turn.day)) for turn in pile.turns if turn.logged),
    )
    heat = PileHeat(facts, 180 * MINUTE)
    for depth in pile.depths_cm:
        rows = [(s.at, s.celsius[depth]) for s in samples if s.pile is pile and depth in s.celsius]
        at, celsius = np.array([at for at, _ in rows]), np.array([c for _, c in rows])
        heat.put(SensorKey("larkfield", pile.probe, f"{depth:g}"), at.astype(np.int64), celsius)
    return [one.at for one in found_turns(heat, yard.now)]


def test_the_turn_that_nobody_logged_is_proposed_and_no_other() -> None:
    yard = Yard(parse_time("2026-09-24T00:00:00Z"), SEED)
    samples = history(yard, Catalogue.load().default_guide)
    found = {pile.peg: found_in(yard, pile, samples) for pile in PILES if pile.finished_day is None}
    (at,) = found.pop("K-05")
    unlogged = next(turn for pile in PILES if pile.peg == "K-05" for turn in pile.turns if not turn.logged)
    assert abs(at - yard.day(unlogged.day)) <= 30 * MINUTE
    assert not any(found.values())
