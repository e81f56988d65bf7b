"""The house of the API tests, with people who sign in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from api.auth import SESSION_COOKIE
from api.auth_csrf import csrf_token
from api.auth_session import first_run_key
from tests.api.conftest import House, build_house, close_house

if TYPE_CHECKING:
    from starlette.testclient import TestClient  # it warns when it is imported; the API tests know how

PASSWORD = "wheelbarrow and fork 7"


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    built = build_house(tmp_path)
    yield built
    close_house(built)


def visitor(house: House) -> TestClient:
    """A browser: it asks for pages and keeps cookies."""
    return house.client(Accept="text/html")


def send(client: TestClient, path: str, **fields: Any) -> Any:
    """A form of the page, with the session's mark when there is a session."""
    cookie = client.cookies.get(SESSION_COOKIE)
    mark = {"csrf": csrf_token(cookie)} if cookie else {}
    return client.post(path, data={**mark, **fields}, follow_redirects=False)


def sign_in(house: House, login: str, password: str = PASSWORD) -> TestClient:
    client = visitor(house)
    assert send(client, "/enter", login=login, password=password).status_code == 303
    return client


def owner(house: House, login: str = "orla") -> TestClient:
    """The first start, its link followed, the owner's account made."""
    for token in house.parts.registry.access.tokens():
        house.parts.registry.access.revoke(token.id)
    key = first_run_key(house.parts.registry, house.clock.now())
    client = visitor(house)
    done = send(client, "/join", key=key, login=login, name="Orla Fenwick", password=PASSWORD)
    assert done.status_code == 303, done.text
    return client


def invited(house: House, manager: TestClient, login: str, **roles: str) -> TestClient:
    """Somebody who followed an invitation; ``role`` everywhere, other names are sites."""
    fields = {"role" if name == "role" else f"on.{name}": role for name, role in roles.items()}
    page = send(manager, "/access/invitations", name=login, **fields)
    assert page.status_code == 200, page.text
    client = visitor(house)
    done = send(client, "/join", key=key_in(page.text), login=login, name=login.title(), password=PASSWORD)
    assert done.status_code == 303, done.text
    return client


def key_in(html: str) -> str:
    found = re.search(r"/join\?key=(tb_[A-Za-z0-9_-]+)", html)
    assert found
    return found.group(1)
