"""Where a webhook may go."""

from __future__ import annotations

import socket
from typing import Any

import pytest

from alerts.channels.addresses import is_public
from alerts.channels.webhook import WebhookSender
from tests.alerts.channels.hooks import SENDER, answers_with, parcel, refused
from tests.alerts.channels.servers import http_sink
from tests.alerts.channels.ways import settings

STRICT = WebhookSender(settings(web={}), deadline_s=3.0)
PRIVATE = (
    "127.0.0.1", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "100.64.0.1", "0.0.0.0", "255.255.255.255",
    "224.0.0.1", "::1", "::", "fe80::1", "fd00::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1", "64:ff9b::a00:1",
    "2002:7f00:1::", "2001:0:7f00:1::", "ff02::1", "nonsense",
)  # fmt: skip


@pytest.mark.parametrize("address", PRIVATE)
def test_no_private_address_is_taken_for_a_public_one(address: str) -> None:
    assert not is_public(address)


@pytest.mark.parametrize(
    "address",
    ["93.184.215.14", "2606:2800:21f:cb07:6820:80da:af6b:8b2c", "::ffff:8.8.8.8", "64:ff9b::808:808"],
)
def test_public_addresses_are_known_as_such(address: str) -> None:
    assert is_public(address)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "[::1]", "0", "2130706433", "0x7f.1", "127.1"])
def test_a_webhook_to_this_machine_is_refused_however_it_is_written(host: str) -> None:
    with http_sink() as sink:
        error = refused(f"http://{host}:{sink.port}/", STRICT)
        assert sink.got == []
    # some spellings are no host at all to one library and this machine to another: neither may get through
    assert "private address" in error.why or "could not be resolved" in error.why or error.permanent


def test_a_name_that_answers_with_one_private_address_is_refused_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", answers_with("93.184.215.14", "10.0.0.1"))
    error = refused("http://hooks.example/", STRICT)
    assert error.permanent
    assert "allow_private_webhooks" in error.why


def test_a_name_that_changes_its_answer_after_it_was_judged_does_not_get_in(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The judged address is the one that is connected to: there is no second look-up to lie to."""
    asked: list[str] = []
    real = socket.getaddrinfo

    def rebinding(host: Any, port: Any, *rest: Any, **how: Any) -> Any:
        if host == "hooks.example":
            asked.append(host)
            return answers_with("203.0.113.7" if len(asked) == 1 else "127.0.0.1")(host, port)
        return real(host, port, *rest, **how)

    connected: list[Any] = []

    def connect(address: Any, *_rest: Any, **_how: Any) -> socket.socket:
        connected.append(address[0])
        raise ConnectionRefusedError(111, "refused")

    monkeypatch.setattr(socket, "getaddrinfo", rebinding)
    monkeypatch.setattr(socket, "create_connection", connect)
    monkeypatch.setattr("alerts.channels.addresses.is_public", lambda text: text == "203.0.113.7")
    refused("http://hooks.example/", STRICT)
    assert asked == ["hooks.example"]
    assert connected == ["203.0.113.7"]


def test_the_next_address_of_a_name_is_tried_when_one_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    with http_sink() as sink:
        monkeypatch.setattr(socket, "getaddrinfo", answers_with("127.0.0.9", "127.0.0.1"))
        SENDER.send(parcel(f"http://hooks.example:{sink.port}/"))
        assert sink.got[0].headers["host"] == f"hooks.example:{sink.port}"


def test_a_name_that_nobody_knows_is_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_rest: Any, **_how: Any) -> Any:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    assert not refused("http://hooks.example/").permanent


def test_surroundings_name_no_proxy_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    with http_sink() as sink:
        monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:1")
        SENDER.send(parcel(sink.url))
        assert len(sink.got) == 1
