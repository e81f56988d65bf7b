"""Starts the works of ``child.py`` and talks to them; every wait has a deadline."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from tests.forks import Fork

DEADLINE_S = 60.0


class Child(Fork):
    def line(self) -> str:
        return self.stdout.readline().strip()

    def go(self) -> None:
        self.stdin.write("go\n")
        self.stdin.flush()

    def result(self) -> Any:
        text = self.line()
        assert text, "the child ended without an answer"
        assert self.wait(DEADLINE_S) == 0
        return json.loads(text)


@contextmanager
def children(*calls: tuple[Any, ...]) -> Iterator[list[Child]]:
    """``calls``: a work and what it is given. Each has its store open already, and waits for ``go``."""
    with ExitStack() as held:
        started = [held.enter_context(Child(*call)) for call in calls]
        assert [child.line() for child in started] == ["ready"] * len(calls)
        yield started


def in_threads(*works: Any) -> list[Any]:
    """Runs each at the same time; gives their results, or raises what the first one raised."""
    results: list[Any] = [None] * len(works)
    errors: list[BaseException] = []
    start = threading.Barrier(len(works))

    def run(index: int) -> None:
        try:
            start.wait(DEADLINE_S)
            results[index] = works[index]()
        except BaseException as error:  # noqa: BLE001  # handed to the test's thread
            errors.append(error)

    threads = [threading.Thread(target=run, args=(index,)) for index in range(len(works))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(DEADLINE_S)
        assert not thread.is_alive(), "a thread is stuck"
    if errors:
        raise errors[0]
    return results
