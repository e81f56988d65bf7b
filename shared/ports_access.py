"""Who may come in: a part of what a registry must do; the calling contract stands in ``shared.ports``."""

from __future__ import annotations

from typing import Protocol

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
