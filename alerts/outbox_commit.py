"""Writing down the outcomes of several threads with one commit: a disk syncs a few times a second, threads finish more
often. Each returns only once its own outcome is durable."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from shared.ports import Registry, StorageError


@dataclass(eq=False)
class _Entry:
    outcome: Callable[[], None]
    done: bool = False
    error: StorageError | None = None


class GroupCommit:
    """Whoever comes while another is writing waits, and is written by the next one along with all others that wait."""

    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._pen = threading.Lock()  # held by the one who writes
        self._lock = threading.Lock()
        self._waiting: list[_Entry] = []

    def carry_out(self, outcome: Callable[[], None]) -> None:
        """Run ``outcome`` in a transaction; raise the StorageError that it, and it alone, comes to."""
        entry = _Entry(outcome)
        with self._lock:
            self._waiting.append(entry)
        with self._pen:
            if not entry.done:
                with self._lock:
                    batch, self._waiting = self._waiting, []
                self._write(batch if entry in batch else [entry])
        if entry.error is not None:
            raise entry.error

    def _write(self, batch: Sequence[_Entry]) -> None:
        try:
            with self._registry.begin():
                for entry in batch:
                    entry.outcome()
        except StorageError as error:
            if len(batch) > 1:  # one may have spoilt it for all
                for entry in batch:
                    self._write([entry])
                return
            batch[0].error = error
        for entry in batch:
            entry.done = True
