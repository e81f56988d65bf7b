"""Every channel, made to face one port, with secrets in every place that holds one."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from alerts.channels import SENDERS
from alerts.channels.port import Parcel, Sender, SendError
from shared.notices import Notice
from shared.people import Channel, ChannelKind, Person
from shared.settings import Settings
from shared.times import Millis
from tests.alerts.channels.servers import AUTHORITY

SECRETS = ("p4ssw0rd-of-ours", "t0ken-in-the-path", "hmac-s3cret", "link-t0ken")
PASSWORD, TOKEN, HMAC_SECRET, LINK_TOKEN = SECRETS
OTHER_AUTHORITY: Path = AUTHORITY.with_name("other-ca.pem")
ADA = Person("ada", "Ada", "Europe/Dublin")


def notice(**fields: Any) -> Notice:
    plain: dict[str, Any] = {
        "id": "019abc0001deadbeef",
        "episode_id": "e-1",
        "kind": "turn_due",
        "severity": "act",
        "person_id": "ada",
        "channel_id": "c-1",
        "reason": "first",
        "at": Millis(1_764_079_500_000),
        "title": "K-07 wants a turn now",
        "text": f"K-07 wants a turn now.\nCore 66.8 °C.\nDone? https://yard.example/do/{LINK_TOKEN}",
        "pile_id": "pile-7",
        "peg": "K-07",
        "site": "larkfield",
        "figures": {"hottest_c": 66.8, "due_at": 1_764_079_500_000},
        "links": {"open": "https://yard.example/do/open", "done": f"https://yard.example/do/{LINK_TOKEN}"},
    }
    return Notice(**{**plain, **fields})


def settings(**sections: Any) -> Settings:
    return Settings.model_validate({"web": {"allow_private_webhooks": True}, **sections})


@dataclass(frozen=True)
class Way:
    """How a channel of one kind is pointed at a port of this machine, plain or over TLS that it should not trust."""

    name: str
    kind: ChannelKind
    target: Callable[[int, bool], str]
    sections: Callable[[int, bool], dict[str, Any]] = field(default=lambda _port, _tls: {})
    secret: str | None = None

    def sender(self, port: int, *, tls: bool = False, deadline_s: float = 1.0) -> Sender:
        make: Any = SENDERS[self.kind]
        made: Sender = make(settings(**self.sections(port, tls)), deadline_s=deadline_s)
        return made

    def parcel(self, port: int, *, tls: bool = False, **fields: Any) -> Parcel:
        channel = Channel("c-1", "ada", self.kind, self.target(port, tls), self.secret)
        return Parcel(notice(**fields), channel, ADA)


def _scheme(tls: bool) -> str:
    return "https" if tls else "http"


WAYS = (
    Way(
        "webhook",
        "webhook",
        lambda port, tls: f"{_scheme(tls)}://u:{PASSWORD}@localhost:{port}/{TOKEN}?key={TOKEN}",
        secret=HMAC_SECRET,
    ),
    Way("url", "url", lambda port, tls: f"json{'s' if tls else ''}://u:{PASSWORD}@localhost:{port}/{TOKEN}"),
    Way(
        "email",
        "email",
        lambda _port, _tls: "ada@yard.example",
        lambda port, tls: {
            "email": {
                "host": "localhost",
                "port": port,
                "tls": "tls" if tls else "none",
                "username": "yard",
                "password": PASSWORD,
            }
        },
    ),
    Way(
        "mqtt",
        "mqtt",
        lambda _port, _tls: f"yard/{TOKEN}",
        lambda port, tls: {
            "mqtt": {"host": "localhost", "port": port, "username": "yard", "password": PASSWORD}
            | ({"tls_ca": str(OTHER_AUTHORITY)} if tls else {})
        },
    ),
)


def failing(way: Way, port: int, *, tls: bool = False, deadline_s: float = 1.0) -> SendError:
    """Send, and give the SendError that has to come of it."""
    sender, parcel = way.sender(port, tls=tls, deadline_s=deadline_s), way.parcel(port, tls=tls)
    with pytest.raises(SendError) as caught:
        sender.send(parcel)
    return caught.value


def leaks(error: SendError, caplog: pytest.LogCaptureFixture, *things: object) -> list[str]:
    """The secrets that show in the error, its printed traceback, the logs at their most talkative, or a repr."""
    shown = [str(error), repr(error), error.why, "".join(traceback.format_exception(error)), caplog.text]
    shown += [repr(thing) for thing in things]
    shown += [str(record.__dict__) for record in caplog.records]
    return [secret for secret in SECRETS if any(secret in text for text in shown)]


def talkative(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
