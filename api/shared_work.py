"""One piece of work for all who ask the same at the same time."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from threading import Lock
from typing import Generic, TypeVar

Value = TypeVar("Value")


@dataclass(slots=True)
class _Desk(Generic[Value]):
    turn: Lock = field(default_factory=Lock)
    asking: int = 0
    done: tuple[int, Value] | None = None  # when its work began, and what came of it


class SharedWork(Generic[Value]):
    """Whoever asks while the same work is under way waits for the next one, together with all who ask meanwhile.

    Nobody is given an answer that was begun before they asked, so it is as fresh as one of their own. Nothing is kept
    once nobody waits. Blocking.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._tick = 0
        self._desks: dict[Hashable, _Desk[Value]] = {}

    def get(self, key: Hashable, work: Callable[[], Value]) -> Value:
        """``work()`` or the answer of another caller with the same key; what it raises is raised to its own caller."""
        with self._lock:
            asked = self._next()
            desk = self._desks.setdefault(key, _Desk())
            desk.asking += 1
        try:
            with desk.turn:
                if desk.done is not None and desk.done[0] > asked:
                    return desk.done[1]
                with self._lock:
                    began = self._next()
                value = work()
                desk.done = (began, value)
                return value
        finally:
            with self._lock:
                desk.asking -= 1
                if not desk.asking:
                    del self._desks[key]

    def _next(self) -> int:
        self._tick += 1
        return self._tick
