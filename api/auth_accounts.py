"""How people come in: the owner's first link, invitations, name and password, the second factor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from api.auth_csrf import check_origin
from api.auth_password import PasswordError, check_password, fits, hash_password
from api.auth_session import Session, end_sessions, session_of_account
from api.auth_slowdown import Slowdown, address_of
from api.auth_tokens import account_of, create_token, find_token, use_of
from api.auth_totp import passed
from api.parts import Parts
from api.problems import ProblemError, unprocessable
from shared.accounts import Account
from shared.audit import Deed
from shared.ids import new_id
from shared.people import Role, Token
from shared.ports import Registry
from shared.times import HOUR, MINUTE, SECOND, Millis

SECOND_COOKIE = "tb_second"
SECOND_MS = 5 * MINUTE
INVITE_HOURS = 72
_WRONG = "That name and password do not fit together."


@dataclass(frozen=True, slots=True)
class SecondStep:
    """The password was right; the code of the second factor is still to come."""

    secret: str
    secure: bool

    def attach(self, response: Response) -> None:
        response.set_cookie(
            SECOND_COOKIE, self.secret, max_age=SECOND_MS // SECOND, httponly=True, samesite="strict",
            secure=self.secure, path="/enter",
        )  # fmt: skip


def plain_login(text: str) -> str:
    """As it is kept: lower case, 2 to 80 characters without spaces; 422 otherwise."""
    login = text.strip().lower()
    if not 2 <= len(login) <= 80 or not login.isprintable() or any(mark.isspace() for mark in login):
        raise unprocessable("login", "A name to sign in with has 2 to 80 characters and no spaces.")
    return login


def sign_in(request: Request, login: str, password: str) -> Session | SecondStep:
    """ProblemError 401 for whatever does not fit, without saying which; 429 while there were too many tries."""
    check_origin(request)
    parts: Parts = request.app.state.parts
    slowdown: Slowdown = request.app.state.slowdown
    name = login.strip().lower()[:80]
    slowdown.check(request, name)
    account = parts.registry.accounts.by_login(name)
    good = fits(password, account.password_hash if account else None)
    if account is None or not good or account.disabled_at is not None:
        slowdown.failed(request, name)
        _refused(request, account)
        raise ProblemError(401, _WRONG)
    if account.totp_secret is not None:
        slowdown.succeeded(request)  # the account's own count runs on until the code is right too
        return second_step(request, account)
    slowdown.succeeded(request, name)
    with parts.registry.begin() as tx:
        return session_of_account(request, tx, account, "password")


def second_step(request: Request, account: Account) -> SecondStep:
    parts: Parts = request.app.state.parts
    now = parts.clock.now()
    secret = create_token(
        parts.registry, "viewer", account.name, now, expires_at=Millis(now + SECOND_MS),
        purpose={"use": "second", "account": account.id},
    )  # fmt: skip
    return SecondStep(secret, request.url.scheme == "https")


def finish_sign_in(request: Request, code: str) -> Session:
    """The second factor: the phone's code, or one of the ten."""
    check_origin(request)
    parts: Parts = request.app.state.parts
    slowdown: Slowdown = request.app.state.slowdown
    now = parts.clock.now()
    cookie = request.cookies.get(SECOND_COOKIE, "")
    with parts.registry.begin() as tx:
        half = find_token(tx, cookie, "second", now) if cookie else None
        if half is None:
            raise ProblemError(401, "That took too long. Begin again with name and password.")
        account = tx.accounts.get(account_of(half) or "")
        slowdown.check(request, account.login)
        used = passed(account, code, now)
        if used is not None and account.disabled_at is None:
            tx.accounts.change(account.id, totp_step=used.totp_step, recovery=used.recovery)
            tx.access.revoke(half.id)
            slowdown.succeeded(request, account.login)
            return session_of_account(request, tx, account, "password and code")
    slowdown.failed(request, account.login)
    _refused(request, account)
    raise ProblemError(401, "This code is not the one, or was used before.")


def invite(
    registry: Registry,
    now: Millis,
    *,
    role: Role | None,
    site_roles: dict[str, Role] | None = None,
    name: str = "",
    hours: float = INVITE_HOURS,
    account: str | None = None,
) -> str:
    """A key that makes one account of these roles, once; with ``account``, one that gives that account a new password."""
    purpose: dict[str, Any] = {"use": "invite", "role": role, "site_roles": site_roles or {}}
    if account is not None:
        purpose["account"] = account
    ends = Millis(now + round(hours * HOUR))
    return create_token(
        registry, role or "viewer", name or "invitation", now, expires_at=ends, purpose=purpose
    )


def join_link(public_url: str | None, key: str) -> str:
    return f"{(public_url or '').rstrip('/')}/join?key={key}"


def find_invitation(registry: Registry, key: str, now: Millis) -> Token | None:
    """The unused one-time key of that text: an invitation, or the first start's."""
    text = key.strip()
    return find_token(registry, text, "invite", now) or find_token(registry, text, "first_run", now)


def join(request: Request, key: str, login: str, name: str, password: str) -> Session:
    """Make the account of an invitation, or give an old one its new password, and come in with it."""
    check_origin(request)
    parts: Parts = request.app.state.parts
    slowdown: Slowdown = request.app.state.slowdown
    slowdown.check(request)
    registry, now = parts.registry, parts.clock.now()
    invitation = find_invitation(registry, key, now)
    if invitation is None:
        slowdown.failed(request)
        raise ProblemError(401, "This invitation is not known, was used before, or its time is over.")
    old = account_of(invitation)
    login = plain_login(login) if old is None else registry.accounts.get(old).login
    _check(parts, password, login)
    hashed = hash_password(password)  # before the transaction: it takes a while
    with registry.begin() as tx:
        again = find_invitation(tx, key, now)
        if again is None:
            raise ProblemError(401, "This invitation was used a moment ago.")
        tx.access.revoke(again.id)
        if old is not None:
            account = tx.accounts.change(old, password_hash=hashed, totp_secret=None, recovery=())
            end_sessions(tx, lambda token: account_of(token) == old)
        else:
            account = _new_account(again, login, name, hashed, now)
            tx.accounts.add(account)
        deed = "accounts.renewed" if old is not None else "accounts.joined"
        tx.audit.append(
            Deed(
                now,
                account.name,
                f"token:{again.id}",
                deed,
                account.id,
                None,
                address_of(request),
                {"login": login},
            )
        )
        return session_of_account(request, tx, account, "invitation")


def change_password(request: Request, account: Account, old: str, new: str) -> Session:
    """A new password ends every session of the account, this one too, and opens a new one."""
    parts: Parts = request.app.state.parts
    slowdown: Slowdown = request.app.state.slowdown
    slowdown.check(request, account.login)
    if account.password_hash is not None and not fits(old, account.password_hash):
        slowdown.failed(request, account.login)
        raise ProblemError(403, "The present password is another one.")
    _check(parts, new, account.login)
    hashed = hash_password(new)
    with parts.registry.begin() as tx:
        held = tx.accounts.change(account.id, password_hash=hashed)
        end_sessions(tx, lambda token: account_of(token) == account.id)
        tx.audit.append(
            Deed(
                parts.clock.now(),
                held.name,
                f"account:{held.id}",
                "accounts.password",
                held.id,
                None,
                address_of(request),
            )
        )
        return session_of_account(request, tx, held, "new password")


def keep_an_owner(tx: Registry) -> None:
    """409 when after this change nobody could manage the house: neither an account nor a token."""
    if any(account.everywhere_manager for account in tx.accounts.all()):
        return
    tokens = tx.access.tokens()
    if not any(use_of(one) == "bearer" and one.role == "manager" and one.site is None for one in tokens):
        raise ProblemError(409, "Then nobody could manage the house: make somebody else a manager first.")


def _new_account(invitation: Token, login: str, name: str, hashed: str, now: Millis) -> Account:
    purpose = invitation.purpose or {}
    first = use_of(invitation) == "first_run"
    shown = "".join(mark for mark in name.strip() if mark.isprintable())[:120] or login
    return Account(
        id=new_id(now),
        login=login,
        name=shown,
        created_at=now,
        role="manager" if first else purpose.get("role"),
        site_roles={} if first else dict(purpose.get("site_roles") or {}),
        password_hash=hashed,
    )


def _check(parts: Parts, password: str, login: str) -> None:
    try:
        check_password(password, login, parts.settings.web.breached_passwords)
    except PasswordError as error:
        raise unprocessable("password", str(error)) from None
    except OSError as error:
        raise ProblemError(
            503, "The list of known passwords cannot be read; see `turnbell check`."
        ) from error


def _refused(request: Request, account: Account | None) -> None:
    """On record only for accounts that there are: guesses at others would fill the log, and the slowdown counts them."""
    if account is None:
        return
    parts: Parts = request.app.state.parts
    parts.registry.audit.append(
        Deed(parts.clock.now(), account.name, "", "session.refused", account.id, None, address_of(request))
    )
