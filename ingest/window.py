"""How many messages make a batch, so that the broker is never left waiting for an acknowledgement.

A broker sends only so many unacknowledged messages (its in-flight window, or our Receive Maximum) and then waits. A
batch larger than that would stall for ever but for the timer, and would run at the timer's pace. The size is learnt
from what happens: the same count at two timers in a row is the window's size; more than asked for means it is larger.
"""

from __future__ import annotations

from typing import Final

SMALLEST: Final = 1


class AckWindow:
    def __init__(self, largest: int) -> None:
        self.largest = largest
        self.target = largest
        self._at_last_timer = 0

    def is_full(self, held: int) -> bool:
        return held >= self.target

    def sent(self, held: int, *, by_timer: bool) -> None:
        """A batch of ``held`` messages has been handed on, because the timer ran out or because it was full."""
        if not by_timer:
            self._at_last_timer = 0
            if held > self.target:
                self.target = min(self.largest, max(held, 2 * self.target))
        elif held == self._at_last_timer:
            self.target = max(SMALLEST, min(held, self.largest))
        else:
            self._at_last_timer = held
