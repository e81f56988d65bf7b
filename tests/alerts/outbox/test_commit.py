from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager

import pytest

from alerts.outbox_commit import GroupCommit
from shared.ports import NotFound, Registry
from tests.alerts.outbox.yard import notice


def together(registry: Registry, outcomes: list[Callable[[], None]]) -> list[BaseException | None]:
    """Carry all of them out from threads that arrive while one is writing."""
    commit = GroupCommit(registry)
    raised: list[BaseException | None] = [None] * len(outcomes)
    entered, gate = threading.Event(), threading.Event()

    def hold() -> None:
        entered.set()
        gate.wait(5.0)

    def work(number: int) -> None:
        try:
            commit.carry_out(outcomes[number])
        except NotFound as error:
            raised[number] = error

    first = threading.Thread(target=lambda: commit.carry_out(hold))
    first.start()
    assert entered.wait(5.0)
    rest = [threading.Thread(target=work, args=(number,)) for number in range(len(outcomes))]
    for thread in rest:
        thread.start()
    while len(commit._waiting) < len(outcomes):
        assert first.is_alive()
    gate.set()
    for thread in (first, *rest):
        thread.join(10.0)
    return raised


def test_what_waits_is_written_with_one_commit(registry: Registry) -> None:
    begun: list[int] = []
    real = registry.begin

    def counted() -> AbstractContextManager[Registry]:
        begun.append(1)
        return real()

    registry.begin = counted  # type: ignore[method-assign]
    for number in range(20):
        registry.notices.put(notice(f"n-{number}"))

    def mark(number: int) -> Callable[[], None]:
        return lambda: void(registry.notices.change(f"n-{number}", state="sent"))

    assert together(registry, [mark(number) for number in range(20)]) == [None] * 20
    assert {n.state for n in registry.notices.of_episode("e-1")} == {"sent"}
    assert len(begun) == 2


def test_one_that_cannot_be_written_spoils_only_its_own(registry: Registry) -> None:
    registry.notices.put(notice("n-1"))
    outcomes = [
        lambda: void(registry.notices.change("n-1", state="sent")),
        lambda: void(registry.notices.change("never-was", state="sent")),
    ]
    raised = together(registry, outcomes)
    assert raised[0] is None
    assert isinstance(raised[1], NotFound)
    assert registry.notices.get("n-1").state == "sent"


def test_a_fault_of_the_program_is_raised_to_whoever_wrote_and_the_others_are_written(
    registry: Registry,
) -> None:
    commit = GroupCommit(registry)
    registry.notices.put(notice("n-1"))
    with pytest.raises(ZeroDivisionError):
        commit.carry_out(lambda: void(1 // 0))
    commit.carry_out(lambda: void(registry.notices.change("n-1", state="sent")))
    assert registry.notices.get("n-1").state == "sent"


def void(_: object) -> None:
    pass
