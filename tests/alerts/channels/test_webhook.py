from __future__ import annotations

import hashlib
import hmac
import json
import socket
import threading
import time
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import httpx
import pytest

from alerts.channels import webhook
from alerts.channels.failures import LONGEST_RETRY_AFTER_S, retry_after
from alerts.channels.port import body
from alerts.channels.webhook import READ_AT_MOST
from tests.alerts.channels.hooks import SENDER, answers_with, parcel, refused
from tests.alerts.channels.misbehaving import misbehaving
from tests.alerts.channels.servers import AUTHORITY, Answer, http_sink
from tests.alerts.channels.ways import HMAC_SECRET, TOKEN, notice


def test_the_body_is_the_contracts_to_the_letter() -> None:
    with http_sink() as sink:
        SENDER.send(parcel(f"{sink.url}/hook?{TOKEN}"))
    got = sink.got[0]
    assert (got.method, got.path) == ("POST", f"/hook?{TOKEN}")
    assert got.headers["content-type"] == "application/json"
    assert got.headers["host"] == f"localhost:{sink.port}"
    said = json.loads(got.body)
    assert set(said) == {
        "id", "episode", "kind", "severity", "pile", "peg", "site", "at", "reason", "title", "text", "figures", "links",
    }  # fmt: skip
    assert said["id"] == "019abc0001deadbeef"
    assert (said["kind"], said["severity"], said["reason"]) == ("turn_due", "act", "first")
    assert (said["pile"], said["peg"], said["site"], said["episode"]) == (
        "pile-7",
        "K-07",
        "larkfield",
        "e-1",
    )
    assert said["at"] == "2025-11-25T14:05:00Z"
    assert said["figures"] == {"hottest_c": 66.8, "due_at": "2025-11-25T14:05:00Z"}
    assert set(said["links"]) == {"open", "done"}
    assert said["text"].startswith("K-07 wants a turn now.\nCore 66.8 °C.")


def test_a_service_notice_has_nulls_where_there_is_no_pile_and_no_link() -> None:
    with http_sink() as sink:
        SENDER.send(parcel(sink.url, pile_id=None, peg="", site=None, links={}, figures={"x": float("nan")}))
    said = json.loads(sink.got[0].body)
    assert (said["pile"], said["peg"], said["site"]) == (None, None, None)
    assert said["links"] == {"open": None, "done": None}
    assert said["figures"] == {"x": None}


def test_key_and_bytes_are_the_same_on_every_try() -> None:
    with http_sink() as sink:
        for _ in range(2):
            SENDER.send(parcel(sink.url, HMAC_SECRET))
    first, second = sink.got
    assert sink.keys == ["019abc0001deadbeef"] * 2
    assert first.body == second.body
    assert first.headers["x-turnbell-signature"] == second.headers["x-turnbell-signature"]


def test_the_signature_is_over_the_raw_body() -> None:
    with http_sink() as sink:
        SENDER.send(parcel(sink.url, HMAC_SECRET))
        SENDER.send(parcel(sink.url))
    signed, plain = sink.got
    mark = hmac.new(HMAC_SECRET.encode(), signed.body, hashlib.sha256).hexdigest()
    assert signed.headers["x-turnbell-signature"] == f"sha256={mark}"
    assert "x-turnbell-signature" not in plain.headers


def test_a_name_and_password_in_the_address_sign_in() -> None:
    with http_sink() as sink:
        SENDER.send(parcel(f"http://u:pw@localhost:{sink.port}/"))
    assert sink.got[0].headers["authorization"].startswith("Basic ")
    assert sink.got[0].headers["host"] == f"localhost:{sink.port}"


@pytest.mark.parametrize("status", [*range(200, 209), 226])
def test_every_2xx_is_acceptance(status: int) -> None:
    with http_sink() as sink:
        sink.answer = lambda _got: Answer(status)
        SENDER.send(parcel(sink.url))
    assert len(sink.got) == 1


NOT_NOW = {404, 408, 409, 423, 425, 429}


@pytest.mark.parametrize("status", [*range(300, 309), *range(400, 452), 499, *range(500, 512), 599])
def test_every_other_code_is_judged_for_good_or_for_now(
    status: int, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    with http_sink() as sink:
        sink.answer = lambda _got: Answer(
            status, {"Location": f"http://localhost:{sink.port}/elsewhere/{TOKEN}"}
        )
        error = refused(f"{sink.url}/{TOKEN}")
        assert len(sink.got) == 1, "a redirect was followed"
    assert error.permanent == (status < 500 and status not in NOT_NOW)
    assert str(status) in error.why
    assert TOKEN not in error.why + caplog.text


def test_the_pause_that_is_asked_for_is_passed_on_and_bounded() -> None:
    now = datetime(2026, 11, 25, 14, 5, tzinfo=UTC)
    assert retry_after("120", now) == 120.0
    assert retry_after(format_datetime(now + timedelta(minutes=2), usegmt=True), now) == 120.0
    assert retry_after(format_datetime(now - timedelta(minutes=2), usegmt=True), now) == 0.0
    assert retry_after("31536000", now) == LONGEST_RETRY_AFTER_S
    for odd in (None, "", "soon", "-5", "1.5", "٣", "Wed, 99 Foo 2026", "9" * 400):
        answer = retry_after(odd, now)
        assert answer is None or answer == LONGEST_RETRY_AFTER_S
    with http_sink() as sink:
        sink.answer = lambda _got: Answer(429, {"Retry-After": "7"})
        assert refused(sink.url).retry_after_s == 7.0


def test_an_endless_answer_is_not_read_to_its_end() -> None:
    def pour(sock: socket.socket, ended: threading.Event) -> None:
        sock.recv(65536)
        sock.sendall(b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n")
        poured = 0
        try:
            while not ended.is_set() and poured < 200 * READ_AT_MOST:
                sock.sendall(b"x" * 65536)
                poured += 65536
        finally:
            amounts.append(poured)

    amounts: list[int] = []
    with misbehaving(pour) as port:
        SENDER.send(parcel(f"http://localhost:{port}/"))
        end = time.monotonic() + 5.0
        while not amounts and time.monotonic() < end:
            time.sleep(0.01)
    assert all(poured < 200 * READ_AT_MOST for poured in amounts)


def test_over_tls_the_name_is_checked_and_the_connection_made(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(AUTHORITY))
    webhook._tls.cache_clear()
    try:
        with http_sink(tls=True) as sink:
            SENDER.send(parcel(sink.url))
            assert sink.keys == ["019abc0001deadbeef"]
            monkeypatch.setattr(socket, "getaddrinfo", answers_with("127.0.0.1"))
            assert "certificate is not trusted" in refused(f"https://hooks.example:{sink.port}/").why
    finally:
        webhook._tls.cache_clear()


@pytest.mark.parametrize(
    "target",
    [
        "",
        "hooks.example",
        "ftp://hooks.example/",
        "http://",
        "http:///path",
        "http://[::1",
        "x" * 9000,
        "http://a\nb/",
    ],
)
def test_what_is_no_web_address_is_refused_for_good(target: str) -> None:
    assert refused(target).permanent


def test_the_body_does_not_depend_on_the_try() -> None:
    import dataclasses

    first = notice()
    later = dataclasses.replace(
        first, tries=7, last_error="it answered 503", state="sending", leased_until=None
    )
    assert body(first) == body(later)
    assert httpx.Response(200, content=body(first)).json()["id"] == first.id
