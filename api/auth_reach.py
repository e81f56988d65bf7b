"""The registry as one caller may use it: what lies on other sites is not there, and every write is on record.

Routes and pages name the role that they need; where the caller holds it, this file minds. It stands between them and
the registry, so a route that forgets to ask cannot give anything away: what is not named in ``auth_narrow`` is refused
to callers whose role does not hold on every site.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from fastapi import Request

from api.auth_caller import Caller
from api.problems import ProblemError
from shared.audit import Deed
from shared.people import Role
from shared.ports import NotFound, Registry
from shared.times import Millis

_WRITES = (
    "add", "change", "put", "set", "remove", "delete", "place", "calibrate", "subscribe", "unsubscribe", "save",
    "revoke", "enrol", "undo", "withdraw", "forget", "prune",
)  # fmt: skip
_UNRECORDED = {("memory", "set_once"), ("memory", "remember"), ("audit", "append")}
_SECRET = {
    "secret",
    "target",
    "digest",
    "password_hash",
    "totp_secret",
    "totp_step",
    "recovery",
    "subject",
    "purpose",
    "jpeg",
}
_LONGEST = 200


@dataclasses.dataclass(frozen=True, slots=True)
class Reach:
    """``caller`` was let in for something that needs ``needed``."""

    caller: Caller
    needed: Role
    source: str
    clock: Callable[[], Millis]

    @property
    def limited(self) -> bool:
        return not self.caller.may_everywhere(self.needed)

    def sees(self, site: str | None) -> bool:
        return site is not None and self.caller.may(self.needed, site)

    def check(self, site: str | None, what: str = "nothing of that id") -> None:
        """NotFound where the caller may not even look; 403 where they may look but not do this."""
        if self.sees(site):
            return
        if site is None or not self.caller.may("viewer", site):
            raise NotFound(f"there is {what}")
        raise ProblemError(403, f"This needs the role {self.needed} on site {site}.")

    def deed(self, act: str, what: str, site: str | None, detail: Mapping[str, Any]) -> Deed:
        return Deed(self.clock(), self.caller.name, self.caller.key, act, what, site, self.source, detail)


class CallersRegistry:
    """A Registry for one request. Before somebody is admitted it has nothing to give."""

    def __init__(self, whole: Registry, request: Request) -> None:
        self._whole, self._request = whole, request
        self._held: dict[str, Any] = {}

    def __getattr__(self, noun: str) -> Any:
        if noun in self._held:
            return self._held[noun]
        found = getattr(self._whole, noun)
        if noun in {"version", "ping"}:
            return found
        reach: Reach | None = getattr(self._request.state, "reach", None)
        if reach is None:
            raise ProblemError(
                401, "This needs a bearer token or a session.", headers={"WWW-Authenticate": "Bearer"}
            )
        if reach.limited:
            from api.auth_narrow import narrow  # noqa: PLC0415 - it is built on this file

            found = narrow(noun, self._whole, reach)
        self._held[noun] = _Recorded(noun, found, self._whole, reach)
        return self._held[noun]

    @contextmanager
    def begin(self) -> Iterator[CallersRegistry]:
        with self._whole.begin():
            yield self  # the transaction belongs to the thread


class _Recorded:
    """One part of the registry; what changes something is written into the audit log in the same transaction."""

    def __init__(self, noun: str, part: Any, whole: Registry, reach: Reach) -> None:
        self._noun, self._part, self._whole, self._reach = noun, part, whole, reach

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._part, name)
        if name.partition("_")[0] not in _WRITES or (self._noun, name) in _UNRECORDED:
            return method

        def act(*given: Any, **fields: Any) -> Any:
            with self._whole.begin():
                done = method(*given, **fields)
                what, site, detail = _facts(given, fields, done)
                self._whole.audit.append(self._reach.deed(f"{self._noun}.{name}", what, site, detail))
                return done

        return act


def _facts(
    given: tuple[Any, ...], fields: Mapping[str, Any], done: Any
) -> tuple[str, str | None, dict[str, Any]]:
    """What it was done to, on which site, and the values: secrets only by name."""
    thing = given[0] if given else None
    site = getattr(thing, "site", None) or getattr(done, "site", None)
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        values: dict[str, Any] = {one.name: getattr(thing, one.name) for one in dataclasses.fields(thing)}
        what = str(values.pop("id", None) or values.pop("slug", ""))
    else:
        what, values = str(thing)[:_LONGEST], dict(fields)
    return (
        what,
        site,
        {name: _shown(name, value) for name, value in values.items() if value not in (None, "", (), {})},
    )


def _shown(name: str, value: Any) -> Any:
    if name in _SECRET:
        return "…"
    if isinstance(value, bool | int | float):
        return value
    return str(value)[:_LONGEST]
