"""Who asks, and how far their role reaches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from shared.people import ROLES, Role, role_allows


@dataclass(frozen=True, slots=True)
class Caller:
    """``role`` holds on every site (None = on none by itself), ``sites`` on one each; the higher one counts.

    ``session`` is the cookie's secret, None without a session; ``key`` names what they came in with, for the audit log.
    """

    role: Role | None
    name: str
    session: str | None = field(default=None, repr=False)
    sites: Mapping[str, Role] = field(default_factory=dict)
    key: str = ""
    account: str | None = None

    def may(self, role: Role, site: str | None = None) -> bool:
        """At least ``role`` on ``site``; without a site, on any."""
        if self.may_everywhere(role):
            return True
        held = self.sites.values() if site is None else [self.sites[site]] if site in self.sites else []
        return any(role_allows(one, role) for one in held)

    def may_everywhere(self, role: Role) -> bool:
        return self.role is not None and role_allows(self.role, role)

    @property
    def best(self) -> Role | None:
        held = [role for role in (self.role, *self.sites.values()) if role is not None]
        return max(held, key=ROLES.index, default=None)

    @property
    def scope(self) -> tuple[tuple[str, Role], ...] | Role | None:
        """Two callers of one scope see the same."""
        return self.role if not self.sites else (*sorted(self.sites.items()), *self._everywhere())

    def _everywhere(self) -> tuple[tuple[str, Role], ...]:
        return () if self.role is None else (("", self.role),)
