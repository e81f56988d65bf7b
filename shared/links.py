"""Signed links: an address in a message that does one thing for one pile, without a login, until it expires.

The token is ``<purpose>.<mark>``: the purpose as compact JSON and its HMAC-SHA256, both in URL-safe base 64. What a
link may do stands inside it, so a reader needs only the key; whoever changes a letter gets LinkError.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import re
import secrets
from dataclasses import dataclass, replace
from typing import Literal, get_args
from urllib.parse import urlsplit

from shared.ports import Memory
from shared.times import DAY, Millis

LinkAct = Literal["log_turn", "answer_turn", "acknowledge", "open"]
LINK_PATH = "/do/"  # the page that serves them: GET asks, POST does
LIFETIME_MS = 7 * DAY  # longer than an outage of the post, shorter than a batch
_KEY_NAME = "links.key"
_TOKEN = re.compile(r"(?<=" + re.escape(LINK_PATH) + r")[A-Za-z0-9_-]{8,1024}\.[A-Za-z0-9_-]{43}")


class LinkError(ValueError):
    """The link was changed, was made by another service, or is too old; the text says which, in plain words."""


@dataclass(frozen=True, slots=True)
class LinkPurpose:
    """What one link may do: ``act`` on ``pile`` (an id; None where the trouble is no pile's) because of ``episode``."""

    act: LinkAct
    pile: str | None
    episode: str
    person: str
    expires_at: Millis


def link_key(memory: Memory) -> bytes:
    """The key of this service's links: made once, kept in the registry."""
    return bytes.fromhex(memory.get(_KEY_NAME) or memory.set_once(_KEY_NAME, secrets.token_hex(32)))


def make_link(key: bytes, purpose: LinkPurpose) -> str:
    """The token for ``purpose``; the same purpose gives the same token."""
    fields = [purpose.act, purpose.pile, purpose.episode, purpose.person, purpose.expires_at]
    body = _encode(json.dumps(fields, separators=(",", ":"), ensure_ascii=False).encode())
    return f"{body}.{_encode(_mark(key, body))}"


def verify_link(key: bytes, token: str, now: Millis) -> LinkPurpose:
    """What ``token`` allows; LinkError when it is not ours or has expired."""
    purpose = _opened(key, token)
    if now >= purpose.expires_at:
        raise LinkError("This link is too old. Open the pile's page and log it there.")
    return purpose


def link_address(public_url: str | None, token: str) -> str:
    """Where the link leads; "" when nobody said how people reach the pages."""
    return (
        f"{public_url.rstrip('/')}{LINK_PATH}{token}" if usable_public_url(public_url) and public_url else ""
    )


def usable_public_url(public_url: str | None) -> bool:
    parts = urlsplit(public_url or "")
    return parts.scheme in {"http", "https"} and bool(parts.netloc)


def readdressed(key: bytes, text: str, person_id: str) -> str:
    """``text`` with every link of ours made out to another person, so that an answer carries the right name."""

    def anew(found: re.Match[str]) -> str:
        try:
            return make_link(key, replace(_opened(key, found.group()), person=person_id))
        except LinkError:
            return found.group()

    return _TOKEN.sub(anew, text)


def without_tokens(text: str) -> str:
    """``text`` with every link's token cut out: for showing a message to someone who may not act on it."""
    return _TOKEN.sub("…", text)


def _opened(key: bytes, token: str) -> LinkPurpose:
    body, dot, mark = token.strip().partition(".")
    try:
        # as text: two spellings of the same bytes would be two tokens
        if not dot or not hmac.compare_digest(mark.encode(), _encode(_mark(key, body)).encode()):
            raise LinkError("This link is not whole. Copy it again from the message.")
        act, pile, episode, person, expires_at = json.loads(_decode(body))
    except (ValueError, binascii.Error) as error:
        raise LinkError("This link is not whole. Copy it again from the message.") from error
    if act not in get_args(LinkAct):
        raise LinkError("This link asks for something that this service does not know.")
    return LinkPurpose(act, pile, episode, person, Millis(expires_at))


def _mark(key: bytes, body: str) -> bytes:
    return hmac.new(key, body.encode("ascii", "replace"), hashlib.sha256).digest()


def _encode(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _decode(text: str) -> bytes:
    if not re.fullmatch(r"[A-Za-z0-9_-]*", text):
        raise LinkError("This link is not whole. Copy it again from the message.")
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
