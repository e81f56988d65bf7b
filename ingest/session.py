"""The words between the loop and the MQTT client: where the broker is, what is asked of it, what comes."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Literal


class BrokerAway(Exception):
    """No session with the broker: not there, not letting us in, or not answering."""


@dataclass(frozen=True, slots=True)
class Address:
    host: str
    port: int
    username: str | None = None
    password: str | None = None
    tls_ca: Path | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """What we ask of the broker on every connect."""

    client_id: str
    filters: tuple[
        tuple[str, bool], ...
    ]  # (topic filter, whether retained messages are wanted on every subscribe)
    version: Literal["5", "3.1.1"] = "5"
    receive_maximum: int = 1000
    shared_group: str | None = None


@dataclass(slots=True)
class Message:
    """A PUBLISH as it came. ``topic`` is None when it was no UTF-8; ``connection`` numbers the connect it came by."""

    topic: str | None
    payload: bytes
    mid: int
    qos: int
    connection: int
    retain: bool = False
    dup: bool = False


def host_suffix() -> str:
    """This machine's name, fit for a client id."""
    return fit_for_a_topic(socket.gethostname())[:32]


def fit_for_a_topic(text: str) -> str:
    return "".join(letter if letter.isalnum() else "-" for letter in text)
