"""One message to one person, through one channel, about one step of one episode."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from shared.episodes import NoticeKind, Severity
from shared.times import Millis

NoticeState = Literal["waiting", "held", "sending", "sent", "failed", "expired", "withheld"]
"""waiting = to be sent; held = waits for a time (quiet hours); failed = given up, another channel was told;
withheld = a recorded decision not to tell, with its reason."""


@dataclass(frozen=True, slots=True)
class Notice:
    """``id`` is the idempotency key: the same on every try. ``reason`` names why it was sent or withheld."""

    id: str
    episode_id: str
    kind: NoticeKind
    severity: Severity
    person_id: str
    channel_id: str
    reason: str  # first | worse | reminder | resolved | escalated | corrected | quiet_hours | snoozed | already_told | ...
    at: Millis
    title: str
    text: str
    pile_id: str | None = None
    peg: str = ""
    site: str | None = None
    figures: dict[str, Any] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    state: NoticeState = "waiting"
    not_before: Millis | None = None
    tries: int = 0
    next_try_at: Millis | None = None
    leased_until: Millis | None = None
    sent_at: Millis | None = None
    last_error: str = ""
