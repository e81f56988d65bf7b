"""Starts ``child.py`` and talks to it; every wait has a deadline."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

ROOT = Path(__file__).parents[2]
DEADLINE_S = 60.0


class Child:
    def __init__(self, verb: str, address: str, *numbers: int) -> None:
        command = [sys.executable, "-m", "tests.contracts.child", verb, address, *map(str, numbers)]
        self.process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._overdue = threading.Timer(DEADLINE_S, self.process.kill)
        self._overdue.start()
        assert self.line() == "ready"

    @property
    def out(self) -> IO[str]:
        assert self.process.stdout is not None
        return self.process.stdout

    def line(self) -> str:
        return self.out.readline().strip()

    def go(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()

    def result(self) -> Any:
        text = self.line()
        assert text, "the child ended without an answer"
        assert self.process.wait(DEADLINE_S) == 0
        return json.loads(text)

    def end(self) -> None:
        self._overdue.cancel()
        self.process.kill()
        self.process.wait(DEADLINE_S)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


@contextmanager
def children(*calls: tuple[Any, ...]) -> Iterator[list[Child]]:
    started: list[Child] = []
    try:
        for call in calls:
            started.append(Child(*call))  # noqa: PERF401  # those started must be ended if the next one fails
        yield started
    finally:
        for child in started:
            child.end()


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
