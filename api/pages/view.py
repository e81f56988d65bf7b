"""How a page is made: the template engine, the words it may use, and what every page knows."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Annotated, Any

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2.ext import Extension

from api.auth import Caller, current
from api.auth_csrf import csrf_token
from api.auth_session import safe_path
from api.auth_slowdown import address_of
from api.headers import nonce_of
from api.pages import assets
from api.pages.wording import FILTERS, WORDS
from api.parts import Parts, parts_of
from shared.heat.report import HeatReport
from shared.people import Role
from shared.piles import Pile
from shared.times import SECOND, Millis
from shared.units import Units

UNITS_COOKIE = "tb_units"
SAID_COOKIE = "tb_said"
REPORT_FRESH_MS = 15 * SECOND
TEMPLATES = Path(__file__).parent.parent / "templates"


class _Nonces(Extension):
    """Every script tag that stands in a template gets the answer's nonce; one that came in with a value does not."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:  # noqa: ARG002 - Jinja's call
        return source.replace("<script ", '<script nonce="{{ nonce }}" ')


def _environment() -> Environment:
    found = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=[_Nonces],
    )
    found.filters.update(FILTERS)
    found.globals.update(words=WORDS, asset=assets.address)
    return found


_ENVIRONMENT = _environment()


@dataclass(frozen=True)
class View:
    """One request of one visitor, at one instant."""

    request: Request
    parts: Parts
    caller: Caller | None

    @cached_property
    def now(self) -> Millis:
        return self.parts.clock.now()

    @property
    def whole(self) -> Parts:
        """Without regard to the caller: for what a page does before anybody is admitted."""
        whole: Parts = self.request.app.state.parts
        return whole

    @property
    def source(self) -> str:
        return address_of(self.request)

    @cached_property
    def units(self) -> Units:
        """What the account chose, on whatever device; without an account, what this browser chose."""
        chosen = self.request.cookies.get(UNITS_COOKIE)
        if self.caller is not None and self.caller.account is not None:
            chosen = self.whole.registry.memory.get(units_of(self.caller.account)) or chosen
        return "fahrenheit" if chosen == "fahrenheit" else "celsius"

    def choose_units(self, units: Units) -> None:
        if self.caller is not None and self.caller.account is not None:
            self.whole.registry.memory.set(units_of(self.caller.account), units)

    @property
    def name(self) -> str:
        return self.caller.name if self.caller else ""

    def report(self, pile: Pile) -> HeatReport:
        """Of a finished pile as it stood at its finish."""
        book = self.parts.book
        if pile.finished_at is not None and pile.finished_at <= self.now:
            return book.closed_reports([pile])[pile.id]
        fresh_ms = round(REPORT_FRESH_MS * max(1.0, self.parts.demo_speed or 1.0))
        return book.reports([pile.id], self.now, fresh_ms=fresh_ms)[pile.id]

    def page(self, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        html = _ENVIRONMENT.get_template(template).render(
            view=self,
            now=self.now,
            units=self.units,
            path=self.request.url.path,
            nonce=nonce_of(self.request.scope),
            csrf=csrf_token(self.caller.session if self.caller else None),
            may=partial(self._may, context.get("pile")),
            may_everywhere=self._may_everywhere,
            demo_speed=self.parts.demo_speed,
            open_door=self.parts.open_door,
            **context,
        )
        answer = self._packed(html, status)
        if SAID_COOKIE in self.request.cookies:
            answer.delete_cookie(SAID_COOKIE, httponly=True, samesite="lax")
        return answer

    def _may(self, pile: object, role: Role, site: str | None = None) -> bool:
        """On a pile's page: there; else anywhere."""
        if site is None and isinstance(pile, Pile):
            site = pile.site
        return self.caller is not None and self.caller.may(role, site)

    def _may_everywhere(self, role: Role) -> bool:
        return self.caller is not None and self.caller.may_everywhere(role)

    def _packed(self, html: str, status: int) -> HTMLResponse:
        """Gzipped where the browser takes it. A page that may repeat what its address says is not: beside a form's
        mark, the packed length would tell an eavesdropper who chooses the address too much (BREACH, 2013)."""
        request = self.request
        if (
            "gzip" not in request.headers.get("accept-encoding", "")
            or request.url.query
            or request.method != "GET"
        ):
            return HTMLResponse(html, status_code=status)
        headers = {"Content-Encoding": "gzip", "Vary": "Accept-Encoding, Cookie"}
        return HTMLResponse(gzip.compress(html.encode(), 4, mtime=0), status_code=status, headers=headers)

    def back(self, onward: str, said: str = "") -> RedirectResponse:
        """After a form: to ``onward``, where ``said`` stands at the top."""
        answer = RedirectResponse(safe_path(onward), 303)
        if said:
            answer.set_cookie(SAID_COOKIE, said.encode().hex(), max_age=60, httponly=True, samesite="lax")
        return answer

    @property
    def said(self) -> str:
        """What the last form answered, shown once."""
        try:
            return bytes.fromhex(self.request.cookies.get(SAID_COOKIE, "")).decode()[:400]
        except (ValueError, UnicodeDecodeError):
            return ""


def units_of(account_id: str) -> str:
    """The name under which an account's choice of units is remembered."""
    return f"units.{account_id}"


def view_of(
    request: Request,
    parts: Annotated[Parts, Depends(parts_of)],
    caller: Annotated[Caller | None, Depends(current)],
) -> View:
    return View(request, parts, caller)


AnyView = Annotated[View, Depends(view_of)]
