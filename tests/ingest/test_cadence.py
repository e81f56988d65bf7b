from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from ingest.cadence import Cadence

TEN_MIN = 600_000


def learn(instants: list[int]) -> int | None:
    cadence = Cadence()
    for at in instants:
        cadence.heard(at)
    return cadence.interval_ms()


def test_nothing_is_claimed_from_a_few_messages() -> None:
    assert learn([0, TEN_MIN, 2 * TEN_MIN, 3 * TEN_MIN]) is None
    assert learn([0, TEN_MIN, 2 * TEN_MIN, 3 * TEN_MIN, 4 * TEN_MIN]) == TEN_MIN


def test_an_outage_and_repeats_do_not_move_it() -> None:
    instants = [n * TEN_MIN for n in (*range(6), *range(30, 36))]
    assert learn(instants + instants) == TEN_MIN


@given(st.randoms(use_true_random=False), st.integers(5, 17))
def test_a_backlog_in_any_order_teaches_the_same(dice: random.Random, count: int) -> None:
    instants = [n * TEN_MIN for n in range(count)]
    dice.shuffle(instants)
    assert learn(instants) == TEN_MIN


def test_a_probe_that_is_set_to_another_interval_is_learnt_anew() -> None:
    hourly = [n * 6 * TEN_MIN for n in range(20)]
    quicker = [hourly[-1] + n * TEN_MIN for n in range(1, 18)]
    assert learn(hourly + quicker) == TEN_MIN
