"""Sign in through an OpenID Connect provider: the code flow with PKCE, state and nonce (OpenID Connect Core 1.0)."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import warnings
from dataclasses import dataclass
from typing import Any, cast
from urllib.parse import urlsplit

import authlib.deprecate  # type: ignore[import-untyped]  # publishes no types; sets its own filter when first imported
import httpx
from authlib.common.errors import AuthlibBaseError  # type: ignore[import-untyped]  # publishes no types
from fastapi import Request
from fastapi.responses import RedirectResponse
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet, KeySetSerialization

from api.auth_session import Session, safe_path, session_of_account
from api.auth_slowdown import Slowdown, address_of
from api.parts import Parts
from api.problems import ProblemError
from shared.accounts import Account
from shared.audit import Deed
from shared.ids import new_id
from shared.ports import Registry
from shared.settings import Oidc
from shared.times import MINUTE, SECOND

with warnings.catch_warnings():
    warnings.simplefilter(
        "ignore", authlib.deprecate.AuthlibDeprecationWarning
    )  # it would rather have another client
    from authlib.integrations.httpx_client import (  # type: ignore[import-untyped]  # publishes no types
        OAuth2Client,
    )

BACK = "/enter/single/back"
COOKIE = "tb_single"
_LASTS_MS = 10 * MINUTE
_ALGORITHMS = [
    "RS256",
    "RS384",
    "RS512",
    "PS256",
    "ES256",
    "ES384",
    "EdDSA",
]  # never "none", never one with a shared key
_PATIENCE_S = 10.0
_LEEWAY_S = 60


@dataclass(frozen=True, slots=True)
class Return:
    """Who came back: ``onward`` is where they were going; ``subject`` names them at the provider."""

    subject: str
    login: str
    name: str
    onward: str
    account: str | None  # whose single sign-on this is to become


def begin(request: Request, onward: str, account: str | None = None) -> RedirectResponse:
    """To the provider, with what its answer must carry kept in a signed cookie."""
    parts: Parts = request.app.state.parts
    state, nonce, verifier = (secrets.token_urlsafe(32) for _ in range(3))
    endpoint = _discovered(parts.settings.oidc)["authorization_endpoint"]
    with _client(request, parts) as client:
        address, _ = client.create_authorization_url(
            endpoint, state=state, code_verifier=verifier, nonce=nonce
        )
    kept = {
        "state": state, "nonce": nonce, "verifier": verifier, "onward": safe_path(onward), "account": account,
        "until": parts.clock.now() + _LASTS_MS,
    }  # fmt: skip
    answer = RedirectResponse(address, 303)
    answer.set_cookie(
        COOKIE, _sealed(parts.registry, kept), max_age=_LASTS_MS // SECOND, httponly=True, samesite="lax",
        secure=request.url.scheme == "https", path="/enter",
    )  # fmt: skip
    return answer


def returned(request: Request, code: str, state: str) -> Return:
    """Check the answer of the provider. ProblemError 401 when it is not the one to our question, or says no."""
    if not code:
        raise ProblemError(401, "The provider did not let you in. Begin again.")
    parts: Parts = request.app.state.parts
    slowdown: Slowdown = request.app.state.slowdown
    slowdown.check(request)
    kept = _opened(parts.registry, request.cookies.get(COOKIE, ""))
    if (
        kept is None
        or kept["until"] < parts.clock.now()
        or not hmac.compare_digest(str(kept["state"]).encode(), state.encode())
    ):
        slowdown.failed(request)
        raise ProblemError(401, "This answer belongs to no question of ours, or came too late. Begin again.")
    claims = _claims(request, parts, code, str(kept["verifier"]), str(kept["nonce"]))
    subject = f"{parts.settings.oidc.issuer} {claims['sub']}"
    login = str(claims.get("email") or claims.get("preferred_username") or claims["sub"]).strip().lower()[:80]
    return Return(
        subject,
        "".join(login.split()),
        str(claims.get("name") or login)[:120],
        kept["onward"],
        kept["account"],
    )


def come_in(request: Request, back: Return) -> Session:
    """The session of whoever came back. An account is found by the provider's subject alone: a name or a mail address
    that happens to be the same proves nothing."""
    parts: Parts = request.app.state.parts
    now, new_role = parts.clock.now(), parts.settings.oidc.new_role
    with parts.registry.begin() as tx:
        account = tx.accounts.by_subject(back.subject)
        if account is None:
            if new_role is None:
                raise ProblemError(
                    403,
                    "No account goes with this sign-on. Ask for an invitation, then join the two under Account.",
                )
            if tx.accounts.by_login(back.login) is not None:
                raise ProblemError(
                    409,
                    f"There is an account {back.login} already: sign in with its password and join the two under Account.",
                )
            account = Account(new_id(now), back.login, back.name, now, new_role, subject=back.subject)
            tx.accounts.add(account)
            tx.audit.append(
                Deed(
                    now,
                    account.name,
                    "single sign-on",
                    "accounts.joined",
                    account.id,
                    None,
                    address_of(request),
                )
            )
        if account.disabled_at is not None:
            raise ProblemError(403, "This account is switched off.")
        return session_of_account(request, tx, account, "single sign-on")


def _client(request: Request, parts: Parts) -> Any:
    oidc = parts.settings.oidc
    base = (parts.settings.web.public_url or str(request.base_url)).rstrip("/")
    secret = oidc.client_secret.get_secret_value() if oidc.client_secret else None
    return OAuth2Client(
        oidc.client_id, secret, scope="openid email profile", redirect_uri=base + BACK, code_challenge_method="S256",
        token_endpoint_auth_method="client_secret_basic" if secret else "none", timeout=_PATIENCE_S,
    )  # fmt: skip


def _claims(request: Request, parts: Parts, code: str, verifier: str, nonce: str) -> dict[str, Any]:
    oidc = parts.settings.oidc
    known = _discovered(oidc)
    try:
        with _client(request, parts) as client:
            token = client.fetch_token(known["token_endpoint"], code=code, code_verifier=verifier)
        keys = KeySet.import_key_set(cast(KeySetSerialization, _json(known["jwks_uri"])))
        decoded = jwt.decode(str(token["id_token"]), keys, algorithms=_ALGORITHMS)
        jwt.JWTClaimsRegistry(
            now=lambda: parts.clock.now() // SECOND,
            leeway=_LEEWAY_S,
            iss={"essential": True, "value": oidc.issuer or ""},
            aud={"essential": True, "value": oidc.client_id or ""},
            exp={"essential": True},
            sub={"essential": True},
            nonce={"essential": True, "value": nonce},
        ).validate(decoded.claims)
    except (httpx.HTTPError, AuthlibBaseError, JoseError, KeyError, ValueError, TypeError) as error:
        raise ProblemError(
            401, f"The provider's answer cannot be used ({type(error).__name__}). Begin again."
        ) from error
    return dict(decoded.claims)


def _discovered(oidc: Oidc) -> dict[str, Any]:
    """What the provider says of itself (OpenID Connect Discovery 1.0)."""
    if oidc.issuer is None or oidc.client_id is None:
        raise ProblemError(404, "Single sign-on is not set up here.")
    try:
        known = _json(f"{oidc.issuer.rstrip('/')}/.well-known/openid-configuration")
        _check_issuer(known, oidc.issuer)
    except (httpx.HTTPError, KeyError, ValueError, TypeError) as error:
        raise ProblemError(
            503, "The provider of the sign-on cannot be reached.", headers={"Retry-After": "60"}
        ) from error
    return known


def _check_issuer(known: dict[str, Any], issuer: str) -> None:
    if known["issuer"] != issuer:
        raise ValueError(f"it calls itself {known['issuer']}")
    for name in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
        _check_address(str(known[name]))


def _json(address: str) -> dict[str, Any]:
    _check_address(address)
    answer = httpx.get(address, timeout=_PATIENCE_S)
    answer.raise_for_status()
    found: dict[str, Any] = answer.json()
    return found


def _check_address(address: str) -> None:
    """https, or this machine: whoever reads along could come in as anybody."""
    parts = urlsplit(address)
    if parts.scheme != "https" and parts.hostname not in {"127.0.0.1", "::1", "localhost"}:
        raise ValueError(f"{address} is not https")


def _key(registry: Registry) -> bytes:
    return bytes.fromhex(registry.memory.set_once("single.key", secrets.token_hex(32)))


def _sealed(registry: Registry, kept: dict[str, Any]) -> str:
    body = base64.urlsafe_b64encode(json.dumps(kept).encode()).decode()
    return f"{body}.{hmac.new(_key(registry), body.encode(), hashlib.sha256).hexdigest()}"


def _opened(registry: Registry, cookie: str) -> dict[str, Any] | None:
    body, _, mark = cookie.partition(".")
    right = hmac.new(_key(registry), body.encode(), hashlib.sha256).hexdigest()
    if not hmac.compare_digest(mark.encode(), right.encode()):
        return None
    found: dict[str, Any] = json.loads(base64.urlsafe_b64decode(body))
    return found
