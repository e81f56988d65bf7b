"""Which piles changed, in steps, and how far each consumer has heard of it. Whoever holds one sees to its lock."""

from __future__ import annotations

import time


class ChangedPiles:
    def __init__(self) -> None:
        self._step = 0  # grows with every change
        self._changed: dict[str, int] = {}  # pile -> the step at which it changed last
        self._changed_s: dict[str, float] = {}  # and when, by time.monotonic
        self._asked: dict[str, int] = {}  # consumer -> the step at which it asked last

    def mark(self, pile_id: str) -> None:
        self._step += 1
        self._changed[pile_id], self._changed_s[pile_id] = self._step, time.monotonic()

    def within(self, pile_id: str, seconds: float) -> bool:
        """Whether it changed within the last so many seconds."""
        return time.monotonic() - self._changed_s.get(pile_id, float("-inf")) < seconds

    def step_of(self, pile_id: str) -> int:
        """Grows whenever the pile changes; 0 = never yet."""
        return self._changed.get(pile_id, 0)

    def since_asked_by(self, consumer: str) -> set[str] | None:
        """Piles that changed since; None the first time."""
        seen = self._asked.get(consumer)
        self._asked[consumer] = self._step
        if seen is None:
            return None
        return {pile_id for pile_id, step in self._changed.items() if step > seen}
