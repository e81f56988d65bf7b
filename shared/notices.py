"""One message to one person, through one channel, about one step of one episode."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

from shared.episodes import NoticeKind, Severity
from shared.times import Millis

NoticeState = Literal["waiting", "held", "sending", "sent", "failed", "expired", "withheld"]
"""waiting = to be sent; held = waits for a time (quiet hours); failed = given up, another channel was told;
withheld = a recorded decision not to tell, with its reason."""


ALSO_IDS = "also_ids"
"""The figure of a message that names the other episodes of the same pile it tells of."""

ROUND_IDS = "round_ids"
"""The figure of a message about several piles that names the other episodes it tells of: one answer answers all."""


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


def told_along(notices: Iterable[Notice], person_id: str, *, whole_round: bool) -> list[str]:
    """Of an episode's notices: the other episodes of which that person's latest message about it tells as well, of the
    same pile or of the whole round. That it is over tells of nothing else."""
    mine = [
        n
        for n in notices
        if n.person_id == person_id and n.state != "withheld" and n.reason not in {"resolved", "corrected"}
    ]
    latest = max(mine, key=lambda n: (n.at, n.id), default=None)
    if latest is None:
        return []
    names = (ALSO_IDS, ROUND_IDS) if whole_round else (ALSO_IDS,)
    return [str(id_) for name in names for id_ in latest.figures.get(name, ())]
