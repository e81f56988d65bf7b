"""Foreign errors in our own words: what went wrong on the way, never what was on the way."""

from __future__ import annotations

import errno
import os
import re
import ssl
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from alerts.channels.port import SendError

LONGEST_RETRY_AFTER_S = 3600.0  # who asks for more is asked again after an hour all the same
_LATER = {408, 409, 423, 425, 429}  # 4xx that say "not now" rather than "never"
_DOUBTFUL = {404}  # what a front door says of a service that is just being put up again; gone for good is 410


def http_failure(status: int, retry_after_s: float | None = None) -> SendError:
    """What an HTTP status that is no success says, and whether it is for good."""
    if 300 <= status < 400:
        return SendError(f"it answered {status}, a redirect; enter the address it leads to", permanent=True)
    return SendError(
        f"it answered {status}",
        permanent=400 <= status < 500 and status not in _LATER | _DOUBTFUL,
        doubtful=status in _DOUBTFUL,
        retry_after_s=retry_after_s,
    )


def retry_after(text: str | None, now: datetime) -> float | None:
    """Seconds from a Retry-After header: a number or an HTTP date; None when it says neither."""
    if not text:
        return None
    text = text.strip()
    if text.isascii() and text.isdigit():
        return min(float(text[:12]), LONGEST_RETRY_AFTER_S)
    try:
        until = parsedate_to_datetime(text)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    if until.tzinfo is None:
        until = until.replace(tzinfo=UTC)
    return min(max(0.0, (until - now).total_seconds()), LONGEST_RETRY_AFTER_S)


def network_words(error: BaseException) -> str:
    """A connection's failure, read from the whole chain of causes, by its kind alone."""
    for cause in _chain(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"its TLS certificate is not trusted ({cause.verify_message})"
        if isinstance(cause, ssl.SSLError):
            return f"TLS failed ({(cause.reason or 'unknown').replace('_', ' ').lower()})"
    for cause in _chain(error):
        if isinstance(cause, TimeoutError) or "Timeout" in type(cause).__name__:
            return "it did not answer in time"
        if isinstance(cause, OSError) and cause.errno is not None and cause.errno in errno.errorcode:
            return os.strerror(cause.errno).lower()
    return "the connection broke off"


def without_secrets(text: str, secrets: Iterable[str | None]) -> str:
    """One short line in which none of ``secrets`` is left."""
    line = " ".join(text.split())
    for secret in sorted((s for s in secrets if s and len(s) >= 3), key=len, reverse=True):
        line = re.sub(re.escape(secret), "…", line, flags=re.IGNORECASE)
    return "".join(letter if letter.isprintable() else "?" for letter in line)[:160]


def _chain(error: BaseException) -> Iterator[BaseException]:
    seen: set[int] = set()
    found: BaseException | None = error
    while found is not None and id(found) not in seen:
        seen.add(id(found))
        yield found
        found = found.__cause__ or found.__context__
