"""Whether what is published still reaches us: we send ourselves a message, and listen for it.

A broker may grant a subscription that it then delivers nothing for (mosquitto 2.0.11 does, without the right to read),
and a session may be connected and yet deaf. Both look like a quiet yard; only an echo tells them apart. A broker that
is held up (by a slow disk, say) gives no echo either: a ping goes after the echo, and only when that has been answered
does silence count. One that answers nothing at all is the keepalive's to judge.
"""

from __future__ import annotations

import logging
import time
from typing import Final

from ingest.pace import Pace
from ingest.subscriber import Subscriber

log = logging.getLogger(__name__)

NAME: Final = "ingest.hearing"
"""In the registry's memory: what ``said`` gives, for ``turnbell check``."""
HEARS: Final = "hears itself"
NOTHING: Final = (
    "the broker takes the subscription, yet lets nothing through: the ingester's account must be allowed to read"
    " turnbell/+/+/readings and to write turnbell/.ingest/#"
)
NO_ECHO: Final = (
    "readings come in, but not the ingester's own echo, so that a silent loss would be found late: allow its account to"
    " write turnbell/.ingest/#"
)


class Hearing:
    """Asked from the loop's thread. ``news`` is what the registry does not know yet."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self._asked_at = 0.0
        self._pings_before = 0
        self._answered_at: float | None = None  # when the ping was that went after the echo
        self._connected_at = 0.0
        self._said = ""
        self._ever = False  # an echo has come, on this connection or one before
        self.news: str | None = None

    def connected(self, subscriber: Subscriber) -> None:
        """Ask at once, so that we know whether silence would mean anything."""
        subscriber.begin_echoes()
        self._connected_at = time.monotonic()
        self._asked_at = 0.0
        subscriber.ask_for_echo()

    def deaf_for_s(self, subscriber: Subscriber) -> float | None:
        """Seconds since anything was heard, when it is time to connect anew; None otherwise. Asks when it is time to."""
        now, heard = time.monotonic(), subscriber.last_heard
        self._judge(subscriber, now)
        if now - heard <= self._pace.echo_every_s:
            return None
        if self._asked_at <= heard:
            self._asked_at, self._answered_at = now, None
            self._pings_before = subscriber.pings_answered
            subscriber.ask_for_echo()
            return None
        if self._answered_at is None and subscriber.pings_answered > self._pings_before:
            self._answered_at = now
        if self._answered_at is None:
            return None
        limit_s = self._pace.deaf_after_s if self._ever else self._pace.silent_after_s
        return now - heard if now - self._answered_at > limit_s else None

    def _judge(self, subscriber: Subscriber, now: float) -> None:
        if subscriber.echoes:
            self._ever = True
            self._say(HEARS)
        elif now - self._connected_at > self._pace.first_echo_s:
            self._say(NO_ECHO if subscriber.messages else NOTHING)

    def _say(self, what: str) -> None:
        if what == self._said:
            return
        if what != HEARS:
            log.warning("broker=silent why=%s", what)
        elif self._said:
            log.info("broker=heard")
        self._said = self.news = what
