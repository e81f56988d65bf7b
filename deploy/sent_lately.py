"""What a broker acknowledged a moment ago, kept to be sent again on the next connection.

A broker may acknowledge a message before it is on its disk, and die in between (mosquitto 2.0 does: DEVELOPERS.md). What
arrives twice counts once, so that sending it again costs nothing and closes the hole.
"""

from __future__ import annotations

import time
from collections import deque
from threading import Condition
from typing import Final, NamedTuple

KEEP_S: Final = 60.0
"""Far more than the time from the acknowledgement to the disk: the rest of one turn of mosquitto's loop, and after a
power cut the seconds in which a file system writes a renamed file down (ext4: 5 by default, from memory, unverified)."""
MOST: Final = 1_000
"""Of many messages in so short a time the newest; mosquitto takes one from each connection between two saves."""


class Sent(NamedTuple):
    topic: str
    payload: bytes
    retain: bool = False


class SentLately:
    """Told by the thread that publishes and by the one that hears acknowledgements, in either order."""

    def __init__(self) -> None:
        self._changed = Condition()
        self._under_way: dict[int, Sent] = {}
        self._early: set[int] = set()  # acknowledged before we were told that it was sent
        self._taken: deque[tuple[float, Sent]] = deque()

    def sent(self, mid: int, message: Sent) -> None:
        with self._changed:
            self._under_way[mid] = message
            if mid in self._early:
                self._early.remove(mid)
                self._take(mid)

    def acknowledged(self, mid: int) -> None:
        with self._changed:
            if mid in self._under_way:
                self._take(mid)
            else:
                self._early.add(mid)

    def again(self) -> list[Sent]:
        """Those acknowledged at most ``KEEP_S`` before the last that was, oldest first; they are forgotten here."""
        with self._changed:
            messages = [message for _, message in self._taken]
            self._taken.clear()
        return messages

    def wait_until_all_are_taken(self, patience_s: float) -> bool:
        """False when nothing is acknowledged for ``patience_s``."""
        with self._changed:
            while self._under_way:
                if not self._changed.wait(patience_s):
                    return not self._under_way
        return True

    @property
    def under_way(self) -> int:
        return len(self._under_way)

    def _take(self, mid: int) -> None:
        now = time.monotonic()
        self._taken.append((now, self._under_way.pop(mid)))
        while len(self._taken) > MOST or now - self._taken[0][0] > KEEP_S:
            self._taken.popleft()
        self._changed.notify_all()
