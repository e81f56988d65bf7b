"""What was worked out from the readings of a stretch of time, kept until one of them changes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from shared.heat.curve import Window

_Found = TypeVar("_Found")
_Key = tuple[str, int, int]


@dataclass
class Remembered:
    _held: dict[_Key, object] = field(default_factory=dict)
    _newest: dict[str, _Key] = field(default_factory=dict)

    def get(self, key: _Key, make: Callable[[], _Found], *, alone: bool) -> _Found:
        """``key``: name, start, end. ``alone``: of this name only the newest is kept, for stretches that move on."""
        if key not in self._held:
            if alone:
                self._held.pop(self._newest.get(key[0], key), None)
                self._newest[key[0]] = key
            self._held[key] = make()
        return self._held[key]  # type: ignore[return-value]  # what make() of this name gave

    def forget(self, windows: Iterable[Window]) -> None:
        """What rests on readings within any of ``windows``."""
        for low, high in windows:
            for key in [key for key in self._held if key[1] <= high and low <= key[2]]:
                del self._held[key]
