"""What holds for every channel: failures are told from failures for good, sends end, secrets stay in."""

from __future__ import annotations

import time

import pytest

from alerts.channels import SENDERS
from alerts.channels.port import SendError
from tests.alerts.channels.misbehaving import Manner, dribble, garbage, half_reply, hang, hang_up, misbehaving
from tests.alerts.channels.ways import WAYS, Way, failing, leaks, talkative
from tests.ports import free_port

MANNERS: tuple[Manner, ...] = (hang, hang_up, garbage, dribble, half_reply)
every_way = pytest.mark.parametrize("way", WAYS, ids=[way.name for way in WAYS])


def test_every_kind_of_channel_is_tested_here() -> None:
    assert {way.kind for way in WAYS} == set(SENDERS)


@every_way
@pytest.mark.parametrize("manner", MANNERS, ids=[manner.__name__ for manner in MANNERS])
def test_a_server_that_misbehaves_is_tried_again_within_a_bounded_time(
    way: Way, manner: Manner, caplog: pytest.LogCaptureFixture
) -> None:
    talkative(caplog)
    with misbehaving(manner) as port:
        began = time.monotonic()
        error = failing(way, port)
        took = time.monotonic() - began
    assert not error.permanent
    assert took < 6.0  # a bound on hanging, not a measure of speed
    assert leaks(error, caplog, way.parcel(port), way.parcel(port).channel) == []


@every_way
def test_nobody_listening_is_tried_again(way: Way, caplog: pytest.LogCaptureFixture) -> None:
    talkative(caplog)
    port = free_port()
    error = failing(way, port)
    assert not error.permanent
    assert leaks(error, caplog, way.parcel(port)) == []


@every_way
def test_a_certificate_that_nobody_vouches_for_is_not_accepted(
    way: Way, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing is sent to it, and it is tried again: a certificate can be mended."""
    talkative(caplog)
    read: list[bytes] = []
    with misbehaving(lambda sock, _ended: read.append(sock.recv(1000)), tls=True) as port:
        error = failing(way, port, tls=True)
    assert not error.permanent
    assert read == []
    assert leaks(error, caplog, way.parcel(port, tls=True)) == []


@every_way
def test_plain_talk_where_tls_was_wanted_is_not_accepted(way: Way, caplog: pytest.LogCaptureFixture) -> None:
    talkative(caplog)
    with misbehaving(garbage) as port:
        error = failing(way, port, tls=True)
    assert not error.permanent
    assert leaks(error, caplog) == []


def test_an_error_says_what_happened_and_how_it_may_end() -> None:
    error = SendError("it answered 503", retry_after_s=7.0)
    assert (str(error), error.permanent, error.retry_after_s) == ("it answered 503", False, 7.0)
