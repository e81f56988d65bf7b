"""The second factor: six digits that change every 30 s (RFC 6238), and ten codes for the day the phone is lost."""

from __future__ import annotations

import secrets
from dataclasses import replace

import pyotp
import segno

from api.auth_tokens import digest_of
from shared.accounts import Account
from shared.times import SECOND, Millis

STEP_MS = 30 * SECOND
CODES = 10
_ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that looks like another


def new_secret() -> str:
    return pyotp.random_base32()


def picture(secret: str, login: str) -> str:
    """A QR code as a data: address."""
    address = pyotp.TOTP(secret).provisioning_uri(name=login, issuer_name="Turnbell")
    return str(segno.make(address, error="m").svg_data_uri(scale=4, border=4, light="white"))


def step_of(secret: str, code: str, now: Millis, after: int) -> int | None:
    """The step whose code this is: the present one or a neighbour, and later than ``after``; else None."""
    totp = pyotp.TOTP(secret)
    wanted = code.replace(" ", "")
    here = now // STEP_MS
    found = None
    for step in (here - 1, here, here + 1):
        if secrets.compare_digest(totp.generate_otp(step).encode(), wanted.encode()) and step > after:
            found = step
    return found


def new_recovery() -> tuple[list[str], tuple[str, ...]]:
    """Codes to show once, and what is kept of them."""
    codes = [
        "-".join("".join(secrets.choice(_ALPHABET) for _ in range(5)) for _ in range(2)) for _ in range(CODES)
    ]
    return codes, tuple(digest_of(code) for code in codes)


def passed(account: Account, code: str, now: Millis) -> Account | None:
    """``account`` with the code used up; None when it is neither the phone's nor one of the ten."""
    if account.totp_secret is None:
        return None
    step = step_of(account.totp_secret, code, now, account.totp_step)
    if step is not None:
        return replace(account, totp_step=step)
    digest = digest_of(code.strip().upper())
    if digest in account.recovery:
        return replace(account, recovery=tuple(one for one in account.recovery if one != digest))
    return None
