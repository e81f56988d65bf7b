"""Fills a store until the operating system refuses to let its files grow, then is given room again.

Run as a process of its own, because the limit (RLIMIT_FSIZE) holds for a whole process. Prints, as JSON, how many
writes were acknowledged before the refusal, the kind of the refusal, and how many after it, on the same open store.
"""

from __future__ import annotations

import json
import resource
import signal
from collections.abc import Callable
from pathlib import Path

from shared.ports import StorageError, StoreBusy
from shared.stores import open_readings, open_registry
from shared.times import Millis
from tests.contracts.child import batch


def fill(write: Callable[[int], object], room: int) -> list[object]:
    before = 0
    kinds: list[str] = []
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
    while len(kinds) < 3 and before < 10_000:
        try:
            write(before)
        except StorageError as error:
            kinds.append("busy" if isinstance(error, StoreBusy) else f"{type(error).__name__}: {error}")
        else:
            before += 1
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    for number in range(before, before + 5):
        write(number)
    return [before, kinds, 5]


def main(kind: str, path: Path, room: int) -> None:
    if kind == "readings":
        store = open_readings(path)
        print(json.dumps(fill(lambda number: store.append(batch(number)), room)))
        store.close()
    else:
        registry = open_registry(path)
        big = b"x" * 4000
        print(json.dumps(fill(lambda number: registry.quarantine.put(Millis(number), "t", "r", big), room)))
        registry.close()
