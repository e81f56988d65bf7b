"""Many askers, little work, and nothing stale."""

from __future__ import annotations

import time
from collections.abc import Callable
from threading import Event, Thread

import pytest

from api.shared_work import SharedWork

ASKERS = 12


def until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 10
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.001)


def test_all_who_ask_during_the_work_share_the_next_one() -> None:
    shared, gate, begun = SharedWork[int](), Event(), list[int]()
    answers: list[int] = []

    def work() -> int:
        begun.append(len(begun) + 1)
        mine = begun[-1]
        gate.wait(10)
        return mine

    def ask() -> None:
        answers.append(shared.get("round", work))

    first = Thread(target=ask)
    first.start()
    until(lambda: len(begun) == 1)
    others = [Thread(target=ask) for _ in range(ASKERS)]
    for other in others:
        other.start()
    until(lambda: shared._desks["round"].asking == ASKERS + 1)
    gate.set()
    for thread in [first, *others]:
        thread.join(10)
    assert sorted(answers) == [1, *[2] * ASKERS]
    assert begun == [1, 2]


def test_one_after_the_other_each_gets_work_of_its_own() -> None:
    shared, begun = SharedWork[int](), list[int]()

    def work() -> int:
        begun.append(0)
        return len(begun)

    assert [shared.get("round", work) for _ in range(3)] == [1, 2, 3]
    assert shared._desks == {}


def test_different_questions_do_not_wait_for_each_other() -> None:
    shared, gate, begun = SharedWork[str](), Event(), Event()

    def slow() -> str:
        begun.set()
        gate.wait(10)
        return "slow"

    thread = Thread(target=lambda: shared.get("a", slow))
    thread.start()
    assert begun.wait(10)
    assert shared.get("b", lambda: "quick") == "quick"
    gate.set()
    thread.join(10)


def test_a_failure_is_told_to_its_own_caller_and_the_next_one_tries_again() -> None:
    shared = SharedWork[int]()

    def broken() -> int:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        shared.get("a", broken)
    assert shared.get("a", lambda: 7) == 7
    assert shared._desks == {}
