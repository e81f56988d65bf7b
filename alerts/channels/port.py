"""What a channel is handed, what it must do, and how it says that it could not."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from shared.notices import Notice
from shared.people import Channel, Person
from shared.times import Millis, iso


class SendError(Exception):
    """It was not accepted. ``why`` is fit to be stored and shown: no address, no secret, no foreign text.

    ``permanent``: trying again as it stands cannot help. ``doubtful``: it looks so, but a service that is just being
    put up again answers the same; it is permanent once it has been so for an hour. ``retry_after_s``: the other side
    asked for so long.
    """

    def __init__(
        self,
        why: str,
        *,
        permanent: bool = False,
        doubtful: bool = False,
        retry_after_s: float | None = None,
    ) -> None:
        super().__init__(why)
        self.why, self.permanent, self.doubtful, self.retry_after_s = why, permanent, doubtful, retry_after_s


def _no_picture() -> bytes | None:
    return None


@dataclass(frozen=True, slots=True)
class Parcel:
    """One notice on its way. ``picture`` draws the heat curve as PNG, or gives None."""

    notice: Notice = field(repr=False)  # signed links stand in its text
    channel: Channel = field(repr=False)  # tokens stand in its target
    person: Person
    picture: Callable[[], bytes | None] = field(default=_no_picture, repr=False)


class Sender(Protocol):
    """``send`` returns once the other side has accepted the message, and raises SendError otherwise. It takes a bounded
    time whatever the other side does, and may be called from several threads."""

    def send(self, parcel: Parcel) -> None: ...


def payload(notice: Notice) -> dict[str, Any]:
    """The notice as a webhook and an MQTT subscriber read it."""
    return {
        "id": notice.id,
        "episode": notice.episode_id,
        "kind": notice.kind,
        "severity": notice.severity,
        "pile": notice.pile_id,
        "peg": notice.peg or None,
        "site": notice.site,
        "at": iso(notice.at),
        "reason": notice.reason,
        "title": notice.title,
        "text": notice.text,
        "figures": _plain(notice.figures),
        "links": {"open": None, "done": None, **notice.links},
    }


def body(notice: Notice) -> bytes:
    """The same bytes on every try."""
    return json.dumps(payload(notice), ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _plain(value: Any, name: str = "") -> Any:
    """Instants (``*_at``) as ISO 8601, what is no number as null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(inner, str(key)) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner, name) for inner in value]
    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, int):
        return iso(Millis(value)) if name.endswith("_at") else value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value)
