"""What runs for as long as the service does."""

from __future__ import annotations

from collections.abc import Callable
from threading import Event
from typing import Final, Protocol

BEATS: Final = (
    "beat."  # in the registry's memory, before a loop's name: when it last beat, in ms; nothing = taken away
)


class Loop(Protocol):
    """``run`` returns soon (under 5 s) after ``stop`` is set, having finished what it began, and calls ``beat`` at
    least every 5 s while it is well. An exception that leaves ``run`` is logged by the supervisor, which starts it
    again after a pause."""

    name: str

    def run(self, stop: Event, beat: Callable[[], None]) -> None: ...
