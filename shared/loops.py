"""What runs for as long as the service does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, is_dataclass
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


def counts_of(loop: Loop) -> Mapping[str, int]:
    """What a loop has counted since its start: the whole numbers of the dataclass ``counts``, where it has one."""
    counts = getattr(loop, "counts", None)
    if counts is None or not is_dataclass(counts) or isinstance(counts, type):
        return {}
    return {name: value for name, value in asdict(counts).items() if isinstance(value, int)}
