"""The count of a fault test: what was caused, what arrived, what was lost, what came twice under two keys."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

TABLE: list[Line] = []


@dataclass(frozen=True)
class Line:
    fault: str
    caused: int
    arrived: int
    lost: int
    again_same_key: int
    doubled: int

    def __str__(self) -> str:
        cells = (self.caused, self.arrived, self.lost, self.again_same_key, self.doubled)
        return f"{self.fault:<46}" + "".join(f"{cell:>9}" for cell in cells)


HEAD = f"{'fault':<46}" + "".join(f"{word:>9}" for word in ("caused", "sent", "lost", "same key", "doubled"))


def settle(fault: str, caused: Iterable[str], arrived: Iterable[tuple[str, str]]) -> Line:
    """``arrived``: (key, what it says) of every acceptance. Doubled = the same words under more than one key."""
    wanted, came = set(caused), list(arrived)
    keys = Counter(key for key, _ in came)
    by_words: dict[str, set[str]] = {}
    for key, words in came:
        by_words.setdefault(words, set()).add(key)
    line = Line(
        fault,
        len(wanted),
        len(wanted & set(keys)),
        len(wanted - set(keys)),
        sum(count - 1 for count in keys.values()),
        sum(len(found) - 1 for found in by_words.values()) + len(set(keys) - wanted),
    )
    TABLE.append(line)
    return line
