"""Passwords: Argon2id through pwdlib, a length, and a list of breached ones when the yard has one at hand."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from threading import BoundedSemaphore

from pwdlib import PasswordHash

SHORTEST, LONGEST = 12, 256
"""Common practice, no source: long rather than odd; the upper bound only keeps a request from costing without end."""

_hasher = PasswordHash.recommended()
_at_once = BoundedSemaphore(2)  # one guess costs tens of MiB and of milliseconds: a flood of them must queue


class PasswordError(ValueError):
    """The password cannot be used; the text says why."""


def hash_password(password: str) -> str:
    with _at_once:
        return _hasher.hash(password)


def fits(password: str, held: str | None) -> bool:
    """Whether ``password`` is the one of ``held``. An account that is not there costs as much time as one that is."""
    with _at_once:
        good = _hasher.verify(password[:LONGEST], held or _nobodys())
    return good and held is not None


def check_password(password: str, login: str, breached: Path | None) -> None:
    """PasswordError unless it may become somebody's password."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise PasswordError(f"A password has {SHORTEST} to {LONGEST} characters; a few words do well.")
    if login and login.lower() in password.lower():
        raise PasswordError("A password does not hold the name that it belongs to.")
    if len(set(password)) < 5:
        raise PasswordError("This password repeats itself too much.")
    if breached is not None and is_breached(password, breached):
        raise PasswordError("This password stands in the list of known ones; choose another.")


def is_breached(password: str, file: Path) -> bool:
    """Whether it stands in ``file``: one password a line, or lines ``<SHA-1>[:count]`` in ascending order, which are
    searched by halves, so that a list of gigabytes costs a few reads. An OSError means that there is no such list."""
    digest = hashlib.sha1(password.encode(), usedforsecurity=False).hexdigest().upper().encode()
    with file.open("rb") as lines:
        first = lines.readline()
        if not _is_digest(first):
            return password.encode() in {line.rstrip(b"\r\n") for line in (first, *lines)}
        low, high = 0, file.stat().st_size
        while low < high:
            middle = (low + high) // 2
            lines.seek(middle)
            if middle:
                lines.readline()  # the rest of a line
            line = lines.readline()
            if not line or line[:40].upper() > digest:
                high = middle
            elif line[:40].upper() == digest:
                return True
            else:
                low = middle + 1
        lines.seek(0)
        return lines.readline()[:40].upper() == digest


def _is_digest(line: bytes) -> bool:
    head = line.strip().partition(b":")[0]
    return len(head) == 40 and all(mark in b"0123456789abcdefABCDEF" for mark in head)


@cache
def _nobodys() -> str:
    return _hasher.hash("nobody has this password")
