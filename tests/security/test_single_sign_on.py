"""OpenID Connect against a provider on loopback: who comes in, and which answers are refused."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from joserfc import jwt
from joserfc.jwk import OctKey, RSAKey
from pydantic import SecretStr

from shared.people import Role
from shared.settings import Oidc, Settings, Web
from shared.times import HOUR, SECOND
from tests.api.conftest import House, build_house, close_house
from tests.security.conftest import owner, send, visitor
from tests.security.provider import CLIENT, SECRET, Provider, running_provider


@pytest.fixture(scope="module")
def provider() -> Iterator[Provider]:
    with running_provider() as running:
        yield running


def house_with(provider: Provider, folder: Path, new_role: Role | None) -> House:
    provider.claims = {"sub": "mina-1", "email": "Mina@larkfield.example", "name": "Mina Oakes"}
    provider.forge = provider.signed
    folder.mkdir()
    oidc = Oidc(
        issuer=provider.issuer,
        client_id=CLIENT,
        client_secret=SecretStr(SECRET),
        label="the farm's sign-on",
        new_role=new_role,
    )
    web = Web(public_url="http://turnbell.local")
    house = build_house(folder, Settings(oidc=oidc, web=web))
    provider.now = house.clock.now() // SECOND
    return house


@pytest.fixture
def house(provider: Provider, tmp_path: Path) -> Iterator[House]:
    built = house_with(provider, tmp_path / "house", "helper")
    yield built
    close_house(built)


def sign_on(
    client: Any, provider: Provider, path: str = "/enter/single?next=/notices", **changes: str
) -> Any:
    sent = client.get(path, follow_redirects=False) if path.startswith("/enter") else send(client, path)
    assert sent.status_code == 303, sent.text
    back = provider.allow(sent.headers["location"]) | changes
    return client.get("/enter/single/back", params=back, follow_redirects=False)


def test_whoever_the_provider_knows_comes_in(house: House, provider: Provider) -> None:
    client = visitor(house)
    assert "the farm&#39;s sign-on" in client.get("/enter").text
    back = sign_on(client, provider)
    assert (back.status_code, back.headers["location"]) == (303, "/notices")
    assert client.get("/api/v1/people").status_code == 200
    (account,) = house.parts.registry.accounts.all()
    assert (account.login, account.name, account.role) == ("mina@larkfield.example", "Mina Oakes", "helper")
    again = visitor(house)
    assert sign_on(again, provider).status_code == 303
    assert len(house.parts.registry.accounts.all()) == 1


def test_without_a_role_for_newcomers_an_account_is_joined_first(provider: Provider, tmp_path: Path) -> None:
    house = house_with(provider, tmp_path / "house", None)
    manager = owner(house, "mina@larkfield.example")
    assert sign_on(visitor(house), provider).status_code == 403  # the same mail address proves nothing
    assert sign_on(manager, provider, "/account/single").status_code == 303
    client = visitor(house)
    assert sign_on(client, provider).status_code == 303
    assert client.get("/api/v1/accounts").status_code == 200
    close_house(house)


def test_a_name_that_is_taken_is_not_taken_over(house: House, provider: Provider) -> None:
    owner(house, "mina@larkfield.example")
    assert sign_on(visitor(house), provider).status_code == 409


def test_an_answer_to_no_question_of_ours_is_refused(house: House, provider: Provider) -> None:
    assert sign_on(visitor(house), provider, state="other").status_code == 401
    stranger = visitor(house)
    back = provider.allow(visitor(house).get("/enter/single", follow_redirects=False).headers["location"])
    assert stranger.get("/enter/single/back", params=back, follow_redirects=False).status_code == 401
    late = visitor(house)
    asked = late.get("/enter/single", follow_redirects=False).headers["location"]
    house.clock.ahead(HOUR)
    assert (
        late.get("/enter/single/back", params=provider.allow(asked), follow_redirects=False).status_code
        == 401
    )
    assert house.parts.registry.accounts.all() == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"iss": "https://other.example"},
        {"aud": "somebody else"},
        {"nonce": "old"},
        {"exp": 1_000},
        {"sub": None},
    ],
    ids=lambda wrong: next(iter(wrong)),
)
def test_an_id_token_for_others_is_refused(house: House, provider: Provider, wrong: dict[str, Any]) -> None:
    provider.forge = lambda claims: provider.signed({**claims, **wrong})
    assert sign_on(visitor(house), provider).status_code == 401
    assert house.parts.registry.accounts.all() == []


def test_an_id_token_that_is_not_the_providers_is_refused(house: House, provider: Provider) -> None:
    other = RSAKey.generate_key(2048, {"kid": "one"}, private=True)
    shared = OctKey.import_key(SECRET.ljust(32))
    forgeries = [
        lambda claims: jwt.encode({"alg": "RS256", "kid": "one"}, claims, other),
        lambda claims: jwt.encode({"alg": "HS256"}, claims, shared),
        lambda claims: provider.signed(claims)[:-6] + "AAAAAA",
        lambda _claims: "eyJhbGciOiJub25lIn0.e30.",
    ]
    for forge in forgeries:
        provider.forge = forge
        assert sign_on(visitor(house), provider).status_code == 401
    assert house.parts.registry.accounts.all() == []
