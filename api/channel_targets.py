"""What an address, a URL or a topic must look like before anybody is told through it."""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import urlsplit

import apprise
from pydantic import AfterValidator, Field

_ADDRESS = re.compile(r"[^@\s,;:<>\"()\[\]\\]{1,64}@[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_OUR_READINGS = re.compile(r"turnbell/[^/]+/[^/]+/(readings|status)")


def check_address(text: str) -> str:
    """One mailbox, without a name, a list or a line break in it."""
    if not _ADDRESS.fullmatch(text) or ".." in text or not text.isprintable():
        raise ValueError("is not an email address such as mina@example.org")
    return text


def check_webhook(text: str) -> str:
    _check_printable(text)
    try:
        parts = urlsplit(text)
        known = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        known = False
    if not known:
        raise ValueError("must be an address such as https://example.org/hook")
    return text


def check_topic(text: str) -> str:
    """A topic to publish to: no wildcards, and none that our own readings come in by."""
    _check_printable(text)
    if "+" in text or "#" in text or text.startswith("$"):
        raise ValueError("must be a topic to publish to: without + and #, not beginning with $")
    if _OUR_READINGS.fullmatch(text):
        raise ValueError("is where a probe's readings come in; choose another topic")
    return text


def check_service_url(text: str) -> str:
    _check_printable(text)
    if "://" not in text or apprise.Apprise.instantiate(text, suppress_exceptions=True) is None:
        raise ValueError("is not an address that the notification library understands")
    return text


def _check_printable(text: str) -> None:
    if not text.isprintable() or " " in text:
        raise ValueError("must be printable characters without spaces")


Address = Annotated[str, Field(max_length=320), AfterValidator(check_address)]
WebhookUrl = Annotated[str, Field(max_length=2000), AfterValidator(check_webhook)]
Topic = Annotated[str, Field(min_length=1, max_length=500), AfterValidator(check_topic)]
ServiceUrl = Annotated[str, Field(max_length=2000), AfterValidator(check_service_url)]
