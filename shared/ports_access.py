"""Who may come in: a part of what a registry must do; the calling contract stands in ``shared.ports``."""

from __future__ import annotations

from typing import Any, Protocol

from shared.accounts import Account
from shared.audit import Deed, Entry
from shared.people import Token
from shared.times import Millis


class Access(Protocol):
    def add_token(self, token: Token) -> None: ...
    def token_by_digest(self, digest: str) -> Token | None: ...
    def touch(self, token_id: str, at: Millis) -> None: ...
    def tokens(self) -> list[Token]: ...
    def revoke(self, token_id: str) -> None: ...
    def enrol(self, site: str, probe: str, username: str, password_hash: str, at: Millis) -> None:
        """Broker credential of a probe; replaces the one before."""

    def credentials(self) -> list[tuple[str, str, str, str]]:
        """(site, probe, username, password_hash)."""


class Accounts(Protocol):
    def add(self, account: Account) -> None:
        """Conflict when the login or the subject is another's."""

    def get(self, account_id: str) -> Account: ...
    def by_login(self, login: str) -> Account | None: ...
    def by_subject(self, subject: str) -> Account | None: ...
    def all(self) -> list[Account]:
        """By login."""

    def change(self, account_id: str, **fields: Any) -> Account: ...
    def delete(self, account_id: str) -> None: ...


class Audit(Protocol):
    """Append-only: there is no way to change or remove an entry."""

    def append(self, deed: Deed) -> Entry:
        """After the last one; part of the caller's transaction."""

    def entries(self, *, after: int = 0, limit: int = 1000) -> list[Entry]:
        """By seq."""

    def latest(self, *, before: int | None = None, limit: int = 100) -> list[Entry]:
        """Newest first."""
