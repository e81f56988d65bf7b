"""When a message without a time of its own first came in, so that the same message again is the same readings.

A reading without a time gets the time of receipt. Delivered a second time (the broker marks that, and keeps the packet's
number, MQTT 5 section 4.4) it would be another instant, and so another reading. So the time of receipt is noted, on the
disk before the readings are, and the message is read again as of then.
"""

from __future__ import annotations

import hashlib
import json
from typing import Final

from ingest.session import Message
from shared.times import Millis

NAME: Final = "ingest.undated."
"""In the registry's memory, followed by the client id: packet numbers belong to one session."""


class Undated:
    """The newest ``most`` of them: a broker never has more messages under way than that."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._known: dict[str, tuple[str, Millis]] = {}
        self.changed = False

    def came_before(self, message: Message) -> Millis | None:
        """When this very message came in first; None when this is the first time."""
        if not (message.dup or message.retain):
            return None
        digest, at = self._known.get(_key(message), ("", Millis(0)))
        return at if digest == _digest(message) else None

    def note(self, message: Message, received_at: Millis) -> None:
        if message.qos == 0 and not message.retain:
            return  # never delivered again
        key = _key(message)
        self._known.pop(key, None)
        self._known[key] = _digest(message), received_at
        while len(self._known) > self._most:
            del self._known[next(iter(self._known))]
        self.changed = True

    def dump(self) -> str:
        self.changed = False
        return json.dumps(self._known, separators=(",", ":"))

    def load(self, text: str | None) -> None:
        """What ``dump`` gave; anything else counts as nothing."""
        try:
            found = json.loads(text or "{}")
            self._known = {str(key): (str(digest), Millis(int(at))) for key, (digest, at) in found.items()}
        except (ValueError, TypeError, AttributeError):
            self._known = {}
        self.changed = False


def _key(message: Message) -> str:
    """A retained message comes anew with every subscription, under another number."""
    return message.topic or "" if message.retain else str(message.mid)


def _digest(message: Message) -> str:
    topic = (message.topic or "").encode("utf-8", "surrogatepass")
    return hashlib.blake2b(topic + b"\0" + message.payload, digest_size=12).hexdigest()
