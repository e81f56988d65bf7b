"""What becomes of one notice whose lease is ours: sent, tried again later, told by another way, or not needed any more.

A row is marked only after the other side has accepted. Between acceptance and mark a crash can come, and then the same
notice goes out again under the same key.
"""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

from alerts.channels.port import Parcel, Sender, SendError
from alerts.outbox_elsewhere import tell_elsewhere
from alerts.outbox_pace import Pace, clock_rate
from shared.episodes import Episode, NoticeKind
from shared.links import LIFETIME_MS
from shared.notices import ALSO_IDS, ROUND_IDS, Notice
from shared.people import Channel, ChannelKind, Person
from shared.ports import NotFound, Registry
from shared.times import Clock, Millis

log = logging.getLogger(__name__)

NEEDLESS_WHEN_OVER: frozenset[NoticeKind] = frozenset(
    {"turn_soon", "turn_due", "turn_overdue", "not_heating", "probe_silent", "probe_fault", "battery_low",
     "service_trouble"}
)  # fmt: skip
"""Once it is over nobody has to act on these. A pile that was on fire, or a rule that was met, is told all the same."""


def _ids(notice: Notice, name: str) -> list[str]:
    """Other episodes of which the notice tells as well."""
    found = notice.figures.get(name)
    return [str(id_) for id_ in found] if isinstance(found, list | tuple) else []


_OVER = {"resolved", "corrected"}
Draw = Callable[[Notice, Person], bytes | None]
Outcome = Callable[[], None]


@dataclass
class _Rest:
    """A channel that failed just now: its other notices wait for the next try as well."""

    until: Millis
    failures: int
    why: str


@dataclass
class Delivery:
    registry: Registry
    clock: Clock
    pace: Pace
    senders: Mapping[ChannelKind, Sender]
    draw: Draw
    chance: random.Random = field(default_factory=random.SystemRandom)
    _resting: dict[str, _Rest] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def attempt(self, notice: Notice) -> Outcome:
        """Try it; what then has to be written down comes back as something to call."""
        now = self.clock.now()
        needless = self._needless(notice, now)
        if needless:
            return partial(self._dropped, notice, needless)
        rest = self._rest_of(notice, now)
        if rest is not None:
            return partial(self._later, notice, rest.why, rest.until, tried=False)
        try:
            channel, person = self._addressee(notice)
            parcel = Parcel(notice, channel, person, lambda: self.draw(notice, person))
            self.senders[channel.kind].send(parcel)
        except SendError as error:
            if error.permanent or (error.doubtful and self._tried_for_s(notice) >= self.pace.doubtful_s):
                return partial(self._given_up, notice, error.why)
            return partial(self._later, notice, error.why, self._rest_after(notice, error), tried=True)
        with self._lock:
            rest = self._resting.pop(notice.channel_id, None)
        if rest is not None:
            log.info("channel=%s event=back", notice.channel_id)
        return partial(self._sent, notice, self.clock.now())

    def _needless(self, notice: Notice, now: Millis) -> str:
        episode = self._episode(notice)
        if episode is not None and episode.state != "resolved":
            return ""
        if any(self._still_open(id_) for id_ in (*_ids(notice, ALSO_IDS), *_ids(notice, ROUND_IDS))):
            return ""
        over = episode is not None and notice.kind in NEEDLESS_WHEN_OVER
        if over and notice.reason not in _OVER:
            return "resolved_before_sent"
        return "expired" if now - notice.at > LIFETIME_MS and notice.tries > 0 else ""

    def _still_open(self, episode_id: str) -> bool:
        try:
            return self.registry.episodes.get(episode_id).state != "resolved"
        except NotFound:
            return False

    def _episode(self, notice: Notice) -> Episode | None:
        try:
            return self.registry.episodes.get(notice.episode_id)
        except NotFound:
            return None

    def _addressee(self, notice: Notice) -> tuple[Channel, Person]:
        try:
            channel = self.registry.people.channel(notice.channel_id)
            person = self.registry.people.get(channel.person_id)
        except NotFound:
            raise SendError("the channel is there no more", permanent=True) from None
        if channel.disabled_at is not None:
            raise SendError(channel.disabled_why or "the channel is disabled", permanent=True)
        return channel, person

    def _dropped(self, notice: Notice, why: str) -> None:
        state = "expired" if why == "expired" else "withheld"
        self.registry.notices.change(notice.id, state=state, reason=why, leased_until=None, next_try_at=None)
        log.info("notice=%s event=%s why=%s", notice.id, state, why)

    def _sent(self, notice: Notice, at: Millis) -> None:
        self.registry.notices.change(
            notice.id,
            state="sent",
            sent_at=at,
            tries=notice.tries + 1,
            leased_until=None,
            next_try_at=None,
            last_error="",
        )

    def _rest_after(self, notice: Notice, error: SendError) -> Millis:
        """Let the channel rest; until when."""
        with self._lock:
            before = self._resting.get(notice.channel_id)
            failures = max(notice.tries, before.failures if before else 0) + 1
            wait = self.pace.wait_s(failures, notice.severity, error.retry_after_s, self.chance)
            until = Millis(self.clock.now() + round(wait * 1000 * clock_rate(self.clock)))
            self._resting[notice.channel_id] = _Rest(until, failures, error.why)
        if before is None:
            log.warning("channel=%s event=failing why=%r", notice.channel_id, error.why)
        return until

    def _tried_for_s(self, notice: Notice) -> float:
        since = max(notice.at, notice.not_before or 0)
        return (self.clock.now() - since) / 1000 / clock_rate(self.clock)

    def _rest_of(self, notice: Notice, now: Millis) -> _Rest | None:
        if notice.severity == "urgent":
            return None
        with self._lock:
            rest = self._resting.get(notice.channel_id)
        return rest if rest is not None and rest.until > now else None

    def _later(self, notice: Notice, why: str, until: Millis, *, tried: bool) -> None:
        now = self.clock.now()
        with self.registry.begin() as tx:
            tx.notices.change(
                notice.id,
                state="waiting",
                tries=notice.tries + int(tried),
                next_try_at=until,
                leased_until=None,
                last_error=why,
            )
            if self._tried_for_s(notice) >= self.pace.elsewhere_after_s:
                tell_elsewhere(tx, notice, why, now, for_good=False)

    def _given_up(self, notice: Notice, why: str) -> None:
        """Disable the channel where everyone sees it, and tell by another one; with none left, keep trying."""
        now = self.clock.now()
        with self.registry.begin() as tx:
            told = tell_elsewhere(tx, notice, why, now, for_good=True)
            self._disable(tx, notice.channel_id, why, now)
            if told:
                tx.notices.change(
                    notice.id,
                    state="failed",
                    tries=notice.tries + 1,
                    leased_until=None,
                    next_try_at=None,
                    last_error=why,
                )
                return
            wait = self.pace.wait_s(30, notice.severity, None, self.chance)
            tx.notices.change(
                notice.id,
                state="waiting",
                tries=notice.tries + 1,
                leased_until=None,
                next_try_at=Millis(now + round(wait * 1000 * clock_rate(self.clock))),
                last_error=f"{why}; nobody else can be reached",
            )

    @staticmethod
    def _disable(tx: Registry, channel_id: str, why: str, now: Millis) -> None:
        try:
            channel = tx.people.channel(channel_id)
        except NotFound:
            return
        if channel.disabled_at is None:
            tx.people.change_channel(channel_id, disabled_at=now, disabled_why=why)
            log.warning("channel=%s event=disabled why=%r", channel_id, why)
