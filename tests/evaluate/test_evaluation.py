"""The evaluation in short: its own sums are right, and the figures are in the region that the long one reports."""

from __future__ import annotations

import numpy as np
import pytest

from shared.times import HOUR, Millis
from tests.evaluate.ahead import WAYS, errors_of, joined
from tests.evaluate.predictable import hindsight_shares
from tests.evaluate.sets import BASE, FIRST_SEED, TUNED_BELOW, Record, litter, simulated
from tests.evaluate.turns import score_of


def test_it_runs_on_seeds_that_nothing_was_tuned_on() -> None:
    assert FIRST_SEED > TUNED_BELOW


def test_persistence_of_a_steady_fall_is_off_by_the_fall() -> None:
    at = BASE + np.arange(0, 10 * 24 * HOUR, HOUR // 2, dtype=np.int64)
    record = Record("a steady fall", BASE, {("P", "50"): (at, 70.0 - (at - BASE) / HOUR * 0.1)}, ())
    errors = errors_of(record)
    persistence = errors.off[:, WAYS.index("persistence")]
    assert persistence == pytest.approx(0.1 * errors.horizon_h, abs=0.06)
    line = errors.off[errors.horizon_h <= 24, WAYS.index("line of 3 h")]
    assert np.abs(line).max() < 0.1


def test_a_turn_found_twice_counts_once_and_one_of_none_is_invented() -> None:
    records = simulated("caged", "cardinal", 4, 25, FIRST_SEED + 200)
    whole = score_of(records, delays=False)
    assert whole.right + whole.missed == sum(len(one.turns) for one in records)
    unturned = [Record(one.name, one.built_at, one.curves, ()) for one in records]
    assert score_of(unturned, delays=False).wrong == whole.right + whole.wrong
    moved = [
        Record(one.name, one.built_at, one.curves, tuple(Millis(at + 30 * HOUR) for at in one.turns))
        for one in records
    ]
    assert score_of(moved, delays=False).precision < 0.2


def test_with_another_kinetics_the_outlook_beats_persistence() -> None:
    errors = joined([errors_of(one, 9.0) for one in simulated("caged", "Haug", 3, 20, FIRST_SEED + 201)])
    day = errors.horizon_h == 24
    mae = np.abs(errors.off[day]).mean(axis=0)
    assert mae[0] < 0.85 * mae[WAYS.index("persistence")]
    assert 0.6 < errors.inside[day].mean() < 0.98


def test_the_real_stockpile_is_foreseen_better_than_by_persistence_and_has_no_turn() -> None:
    whole = next(litter())
    errors = errors_of(whole, 7.0)
    day = errors.horizon_h == 24
    mae = np.abs(errors.off[day]).mean(axis=0)
    assert mae[0] < 0.75 * mae[WAYS.index("persistence")]
    assert score_of([whole], delays=False).wrong == 0


def test_hindsight_foresees_a_wave_and_not_noise_unless_it_is_the_airs() -> None:
    hours = np.arange(1000.0)
    nowhere = np.zeros(1000, dtype=np.int64)
    noise = np.random.default_rng(1).normal(0.0, 1.0, 1000).cumsum()
    assert max(hindsight_shares(np.sin(hours / 20.0), nowhere, noise)) < 0.01
    without, _, with_air = hindsight_shares(noise, nowhere, noise)
    assert without > 0.9
    assert with_air < 0.01


def test_a_record_thinned_is_the_pile_measured_less_often() -> None:
    often, rarely = (simulated("caged", "cardinal", 1, 5, 1, every)[0] for every in (10, 30))
    for key, (at, celsius) in often.thinned(30).curves.items():
        assert np.array_equal(at, rarely.curves[key][0])
        assert np.array_equal(celsius, rarely.curves[key][1])
