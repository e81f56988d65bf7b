"""Sending one notice to one web address, and what comes of it."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Any

import pytest

from alerts.channels.port import Parcel, SendError
from alerts.channels.webhook import WebhookSender
from shared.people import Channel
from tests.alerts.channels.ways import ADA, notice, settings

SENDER = WebhookSender(settings(), deadline_s=3.0)


def parcel(url: str, secret: str | None = None, **fields: Any) -> Parcel:
    return Parcel(notice(**fields), Channel("c-1", "ada", "webhook", url, secret), ADA)


def refused(url: str, sender: WebhookSender = SENDER) -> SendError:
    with pytest.raises(SendError) as caught:
        sender.send(parcel(url))
    return caught.value


def answers_with(*addresses: str) -> Callable[..., list[Any]]:
    def answer(_host: str, port: int, *_rest: Any, **_how: Any) -> list[Any]:
        return [
            (socket.AF_INET6 if ":" in a else socket.AF_INET, socket.SOCK_STREAM, 6, "", (a, port))
            for a in addresses
        ]

    return answer
