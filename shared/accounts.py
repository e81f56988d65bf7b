"""Those who sign in: a name, a way to prove who they are, and a role, everywhere or site by site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from shared.people import Role
from shared.times import Millis


@dataclass(frozen=True, slots=True)
class Account:
    """``role`` holds on every site, ``site_roles`` on one each; where both speak, the higher one counts.

    Without a password hash and without an OpenID ``subject`` nobody can sign in with it yet.
    """

    id: str
    login: str  # lower case; unique
    name: str
    created_at: Millis
    role: Role | None = None
    site_roles: Mapping[str, Role] = field(default_factory=dict)
    password_hash: str | None = field(default=None, repr=False)
    subject: str | None = None  # "<issuer> <sub>" of an OpenID provider
    totp_secret: str | None = field(default=None, repr=False)
    totp_step: int = 0  # the last 30 s step whose code was used: no code opens twice
    recovery: tuple[str, ...] = field(default=(), repr=False)  # SHA-256 of the codes that are left
    disabled_at: Millis | None = None
    last_login_at: Millis | None = None

    @property
    def everywhere_manager(self) -> bool:
        return self.role == "manager" and self.disabled_at is None
