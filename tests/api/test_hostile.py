"""Whatever is sent: an answer that the description knows, never a fault of ours, and nothing lost."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from shared.accounts import Account
from shared.episodes import Episode
from shared.notices import Notice
from shared.people import Channel, Person, Subscription, Token
from shared.piles import FieldNote, Placement, Turn
from shared.ports import Conflict
from shared.probes import Probe
from shared.times import DAY, HOUR, Millis, Span
from tests.api.conftest import BUILT, NOW, House, build_house, close_house
from tests.api.schemas import JUNK, values


def furnish(house: House) -> None:
    """One of each, under ids that the walk knows."""
    registry = house.parts.registry
    for number in (1, 2, 3):
        house.hear(f"lance-{number}", "45", [40.0 + (hour % 30) for hour in range(200)])
        house.hear(f"lance-{number}", "15", [85.0, -127.0] * 20)
        pile = house.pile(f"K-0{number}", rule_ids=("three-turns",))
        registry.piles.add_turn(Turn(f"t-{number}", pile.id, Millis(BUILT + DAY), "detected", "proposed"))
        registry.piles.add_note(FieldNote(f"w-{number}", pile.id, "water", Millis(BUILT + DAY)))
        registry.episodes.put(
            Episode(
                f"e-{number}", "turn_due", "larkfield", pile.id, "", "act", "open", Millis(NOW - HOUR),
                "load_reached_1",
            )
        )  # fmt: skip
    registry.probes.add(Probe("probe-1", "larkfield", "unheard"))
    put_back(house)
    registry.notices.put(Notice("n-1", "e-1", "turn_due", "act", "p-1", "c-1", "first", NOW, "t", "t"))
    for _ in range(3):
        registry.quarantine.put(NOW, "turnbell/x", "no JSON", b"\xff\x00")


def put_back(house: House) -> None:
    """What the walk may delete."""
    people, probes, access = (
        house.parts.registry.people,
        house.parts.registry.probes,
        house.parts.registry.access,
    )
    adds: tuple[Callable[[], object], ...] = (
        lambda: house.parts.registry.accounts.add(Account("a-1", "mina", "Mina", NOW, "viewer")),
        lambda: people.add(Person("p-1", "Mina", "Europe/Dublin")),
        lambda: people.add_channel(Channel("c-1", "p-1", "email", "mina@example.org")),
        lambda: people.subscribe(Subscription("s-1", "p-1")),
        lambda: access.add_token(Token("k-1", "spare", "viewer", NOW, "digest")),
        *(
            partial(probes.place, Placement(f"place-{n}", "larkfield", f"lance-{n}", f"pile-K-0{n}", Span(BUILT), "middle"))
            for n in (1, 2, 3)
        ),
    )  # fmt: skip
    for add in adds:
        with suppress(Conflict):
            add()


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    house = build_house(tmp_path_factory.mktemp("house"))
    furnish(house)
    yield house
    close_house(house)


def test_a_walk_over_the_description_meets_no_fault_of_ours(furnished: House) -> None:
    described = furnished.app.openapi()
    routes = [(path, method) for path, methods in described["paths"].items() for method in methods]
    reached = [route for route in routes if _walk(furnished, described, *route)]
    assert len(reached) > 0.8 * len(routes), sorted(set(routes) - set(reached))


def _walk(house: House, described: dict[str, Any], path: str, method: str) -> bool:
    """Drawn requests to one operation; whether one of them was carried out."""
    client, operation, met = house.client("manager"), described["paths"][path][method], set[int]()

    @settings(
        max_examples=8, derandomize=True, database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )  # fmt: skip
    @given(data=st.data())
    def ask(data: st.DataObject) -> None:
        answer = _send(client, path, method, operation, described, data)
        met.add(answer.status_code)
        if method == "delete" and answer.status_code == 204:
            put_back(house)
        _check(answer, operation)

    ask()
    return min(met) < 300


def _check(answer: Any, operation: dict[str, Any]) -> None:
    """One of the described answers, in the described media type."""
    status = str(answer.status_code)
    assert answer.status_code < 500, answer.text
    known = operation["responses"].get(status, operation["responses"]["default"])
    if answer.status_code >= 400:
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert answer.json()["status"] == answer.status_code
    elif answer.status_code != 204:
        assert status in operation["responses"]
        assert answer.headers["Content-Type"].partition(";")[0] in known["content"]


def _send(
    client: TestClient, path: str, method: str, operation: dict[str, Any], described: dict[str, Any],
    data: st.DataObject,
) -> Any:  # fmt: skip
    parts = described["components"]["schemas"]
    query: dict[str, str] = {}
    for parameter in operation.get("parameters", ()):
        name = parameter["name"]
        text = _text(data.draw(values(parameter["schema"], parts, name), label=name))
        if parameter["in"] == "path":
            path = path.replace(f"{{{name}}}", quote(text, safe=":") or "none")
        elif parameter["in"] == "query" and data.draw(st.booleans()):
            query[name] = text
    address = path + "?" + "&".join(f"{name}={quote(text, safe='')}" for name, text in query.items())
    headers, body = {}, b""
    content = operation.get("requestBody", {}).get("content", {})
    if "application/json" in content:
        headers["Content-Type"] = "application/json"
        drawn = data.draw(values(content["application/json"]["schema"], parts), label="body")
        body = json.dumps(drawn).encode()
    elif content:
        headers["Content-Type"] = "image/jpeg"
        body = data.draw(st.binary(max_size=50), label="body")
    return client.request(method, address, content=body, headers=headers)


def _text(value: object) -> str:
    text = value if isinstance(value, str) else json.dumps(value)
    return text.encode("utf-8", "replace").decode("utf-8")[:2000]


@pytest.mark.parametrize(
    "peg", ["<script>alert(1)</script>", "=cmd()", "K/01?x#y", "' or 1=1 --", "Ω 堆 \u202e", "..", "a:b"]
)
def test_a_pile_may_be_called_anything_that_can_be_read(house: House, manager: TestClient, peg: str) -> None:
    sent = {"site": "larkfield", "peg": peg, "built_at": "2026-11-20T06:00:00Z"}
    answer = manager.post("/api/v1/piles", json=sent)
    if not peg.isprintable():
        assert answer.status_code == 422
        return
    made = answer.json()
    assert made["peg"] == peg
    assert manager.get(f"/api/v1/piles/{made['id']}").json()["peg"] == peg
    csv = manager.get(f"/api/v1/piles/{made['id']}/readings.csv")
    assert csv.status_code == 200
    name = csv.headers["Content-Disposition"]
    assert not set(name.partition("filename=")[2].strip('"')) - set(
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-."
    )


@pytest.mark.parametrize("junk", JUNK)
def test_a_mix_keeps_what_is_plain_json_and_refuses_the_rest(
    house: House, manager: TestClient, junk: Any
) -> None:
    sent = {"site": "larkfield", "peg": "K-01", "built_at": "2026-11-20T06:00:00Z", "mix": {"goal": junk}}
    answer = manager.post(
        "/api/v1/piles", content=json.dumps(sent).encode(), headers={"Content-Type": "application/json"}
    )
    assert answer.status_code in {201, 422}
    if answer.status_code == 201:
        kept = manager.get(f"/api/v1/piles/{answer.json()['id']}").json()
        assert kept["mix"] == {"goal": junk}
    else:
        assert manager.get("/api/v1/piles").json()["items"] == []


def test_a_mix_that_is_nested_without_end_is_refused(manager: TestClient) -> None:
    for depth in (17, 900, 100_000):
        body = (
            '{"site":"larkfield","peg":"K","built_at":"2026-11-20T06:00:00Z","mix":{"a":'
            + "[" * depth + "]" * depth + "}}"
        )  # fmt: skip
        answer = manager.post(
            "/api/v1/piles", content=body.encode(), headers={"Content-Type": "application/json"}
        )
        assert answer.status_code in {400, 422}, depth
