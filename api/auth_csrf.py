"""Another site's page must not act with a visitor's session."""

from __future__ import annotations

import hashlib
import hmac
from urllib.parse import urlsplit

from fastapi import Request

from api.problems import ProblemError

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
FORM_FIELD = "csrf"
HEADER = "X-CSRF-Token"
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


def csrf_token(session: str | None) -> str:
    """What a page of this session puts in its forms; "" without a session."""
    return hmac.new(session.encode(), b"csrf", hashlib.sha256).hexdigest() if session else ""


async def check_csrf(request: Request, session: str) -> None:
    """403 when an unsafe request comes without this session's token in its form or header."""
    if request.method in SAFE_METHODS:
        return
    given = request.headers.get(HEADER, "")
    if not given and request.headers.get("content-type", "").startswith(_FORMS):
        given = str((await request.form()).get(FORM_FIELD, ""))
    if not hmac.compare_digest(given.encode(), csrf_token(session).encode()):
        raise ProblemError(
            403, "The form's mark is missing or is not this session's; reload the page and send it again."
        )


def check_origin(request: Request) -> None:
    """403 when a browser says that an unsafe request comes from another site's page.

    A browser states the site where the connection is trusted (https, loopback); elsewhere its Origin is compared.
    """
    if request.method in SAFE_METHODS:
        return
    site = request.headers.get("sec-fetch-site")
    origin = request.headers.get("origin")
    if site is not None:
        foreign = site not in {"same-origin", "none"}
    else:
        foreign = origin is not None and urlsplit(origin).netloc != request.headers.get("host")
    if foreign:
        raise ProblemError(403, "This was sent by another site's page.")
