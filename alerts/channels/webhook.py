"""Webhook: the notice as JSON by POST, signed when the channel has a secret."""

from __future__ import annotations

import hashlib
import hmac
import logging
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any, Literal

import httpx

from alerts.channels.addresses import resolved
from alerts.channels.deadline import Deadline
from alerts.channels.failures import http_failure, network_words, retry_after
from alerts.channels.port import Parcel, SendError, body
from shared.settings import Settings

DEADLINE_S = 10.0
READ_AT_MOST = 64 * 1024  # of the answer; only its status matters
SIGNATURE_HEADER = "X-Turnbell-Signature"

for _name in ("httpx", "httpcore"):
    logging.getLogger(_name).setLevel(
        logging.WARNING
    )  # below that they log whole addresses, and tokens stand in them


class WebhookSender:
    def __init__(self, settings: Settings, *, deadline_s: float = DEADLINE_S) -> None:
        self._allow_private = bool(settings.web.allow_private_webhooks)
        self._deadline_s = deadline_s

    def send(self, parcel: Parcel) -> None:
        url, raw = web_address(parcel.channel.target), body(parcel.notice)
        headers = {"Content-Type": "application/json", "Idempotency-Key": _header_text(parcel.notice.id)}
        if parcel.channel.secret:
            headers[SIGNATURE_HEADER] = signature(parcel.channel.secret, raw)
        request = Request("POST", url, headers, raw)
        exchange(request, allow_private=self._allow_private, deadline_s=self._deadline_s)


def signature(secret: str, raw: bytes) -> str:
    """``sha256=<hex>``: HMAC-SHA256 over the body as it travels."""
    return f"sha256={hmac.new(secret.encode(), raw, hashlib.sha256).hexdigest()}"


@dataclass(frozen=True, slots=True)
class Request:
    method: Literal["GET", "POST"]
    url: httpx.URL
    headers: dict[str, str]
    raw: bytes = b""


def exchange(request: Request, *, allow_private: bool, deadline_s: float) -> None:
    """Carry out ``request`` at an address that was judged first; SendError unless it is answered with 2xx."""
    url = request.url
    port = url.port or (443 if url.scheme == "https" else 80)
    with Deadline(deadline_s) as deadline:
        addresses = resolved(url.host, port, allow_private=allow_private)
        for left, address in zip(range(len(addresses) - 1, -1, -1), addresses, strict=True):
            try:
                status, wait = _once(request, address, deadline)
            except (httpx.HTTPError, httpx.InvalidURL, OSError) as error:
                if isinstance(error, httpx.ConnectError) and left and not deadline.passed:
                    continue
                raise SendError(_words(error, deadline)) from None
            if not 200 <= status < 300:
                raise http_failure(status, wait)
            return


def _once(request: Request, address: str, deadline: Deadline) -> tuple[int, float | None]:
    """One request to one judged address; its status, once the answer is whole or long enough."""
    url = request.url
    headers = {"User-Agent": "turnbell", "Host": url.netloc.decode("ascii"), **request.headers}
    extensions: dict[str, Any] = {"trace": _watcher(deadline), "sni_hostname": url.host}
    timeout = httpx.Timeout(deadline.seconds, connect=deadline.seconds / 2)
    verify = _tls() if url.scheme == "https" else False
    pinned = url.copy_with(host=address)
    with (
        httpx.Client(verify=verify, trust_env=False, follow_redirects=False, timeout=timeout) as client,
        client.stream(
            request.method, pinned, content=request.raw, headers=headers, extensions=extensions
        ) as answer,
    ):
        have = 0
        for part in answer.iter_raw():
            have += len(part)
            if have > READ_AT_MOST:
                break
        return answer.status_code, retry_after(answer.headers.get("Retry-After"), datetime.now(UTC))


def _watcher(deadline: Deadline) -> Callable[[str, dict[str, Any]], None]:
    def trace(event: str, info: dict[str, Any]) -> None:
        if event == "connection.connect_tcp.complete":
            deadline.watch(info["return_value"].get_extra_info("socket"))

    return trace


def _words(error: BaseException, deadline: Deadline) -> str:
    return "it did not answer in time" if deadline.passed else network_words(error)


@cache
def _tls() -> ssl.SSLContext:
    return httpx.create_ssl_context()  # SSL_CERT_FILE may name an authority of one's own


def web_address(target: str) -> httpx.URL:
    try:
        url = httpx.URL(target)
    except (httpx.InvalidURL, TypeError, ValueError):
        raise SendError("its address is not a URL", permanent=True) from None
    if url.scheme not in {"http", "https"} or not url.host:
        raise SendError("its address is not an http or https URL", permanent=True)
    return url


def _header_text(text: str) -> str:
    return "".join(letter if "!" <= letter <= "~" else "_" for letter in text)
