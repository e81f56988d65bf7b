"""What a stranger, another site's page or a crafted value can do at the doors: nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from api.pages.view import TEMPLATES
from api.write_limit import WriteLimit
from shared.links import LINK_PATH, LinkPurpose, link_key, make_link
from shared.people import Person
from shared.piles import FieldNote, Pile, Site, Turn
from shared.settings import Settings, Web
from shared.times import DAY, HOUR, Millis
from tests.api.conftest import BUILT, NOW, House, build_house, close_house
from tests.security.conftest import PASSWORD, owner, send, sign_in, visitor

EVIL = "<script>alert(1)</script><img src=x onerror=alert(2)>"
WAYS_OUT = [
    "//evil.example",
    "https://evil.example/",
    "/\\evil.example",
    "javascript:alert(1)",
    "/ok\r\nX: y",
    "\t//evil.example",
]


@pytest.fixture
def yard(house: House) -> House:
    """Everything that people may name is named maliciously."""
    registry = house.parts.registry
    registry.sites.add(Site("evil", EVIL, "UTC"))
    pile = Pile("evil-1", "larkfield", EVIL, BUILT, kind=EVIL)
    registry.piles.add(pile)
    registry.piles.add(Pile("evil-2", "larkfield", EVIL + "2", BUILT, Millis(BUILT + 2 * DAY)))
    registry.piles.add_turn(Turn("t-1", pile.id, Millis(BUILT + DAY), note=EVIL, by=EVIL))
    registry.piles.add_note(FieldNote("n-1", pile.id, "remark", Millis(BUILT + DAY), EVIL, by=EVIL))
    registry.people.add(Person("p-1", EVIL, "UTC"))
    registry.quarantine.put(NOW, EVIL, EVIL, EVIL.encode())
    return house


class _Tags(HTMLParser):
    """Script tags, and attributes that would run something."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts: list[dict[str, str | None]] = []
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "script":
            self.scripts.append(dict(attrs))
        self.handlers += [
            f"{tag} {name}"
            for name, value in attrs
            if name.startswith("on") or "javascript:" in (value or "")
        ]


def test_a_pile_called_script_is_a_pile_called_script(yard: House) -> None:
    client = yard.client("manager", Accept="text/html")
    seen = 0
    for path in ("/", "/piles/evil-1", "/batches/evil-2", "/people", "/notices", "/quarantine", "/probes", "/setup", "/batches", "/labels", "/access",
                 "/audit", "/piles/new", "/mix"):  # fmt: skip
        answer = client.get(path)
        assert answer.status_code == 200, (path, answer.text[:300])
        seen += "&lt;script&gt;" in answer.text
        tags = _Tags()
        tags.feed(answer.text)
        assert tags.handlers == [], path
        (nonce,) = re.findall(r"'nonce-([^']+)'", answer.headers["Content-Security-Policy"])
        assert all(script.get("nonce") == nonce and script.get("src") for script in tags.scripts), path
        assert tags.scripts, path
    assert seen >= 5


def test_no_template_holds_a_script_or_a_handler_of_its_own() -> None:
    for file in TEMPLATES.rglob("*.html"):
        text = file.read_text("utf-8")
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text)), file
        assert not re.findall(r"<[^>]+\son[a-z]+\s*=|javascript:|\bstyle\s*=\s*\"", text), file
        assert "|safe" not in text.replace(" ", "") or file.name in {"help.html", "help_page.html"}, file


def test_the_nonce_is_another_one_every_time(house: House) -> None:
    client = house.client("viewer", Accept="text/html")
    policies = {client.get("/rules").headers["Content-Security-Policy"] for _ in range(3)}
    assert len(policies) == 3
    assert all("'unsafe" not in policy for policy in policies)


@pytest.mark.parametrize("way", WAYS_OUT)
def test_no_door_leads_to_another_site(house: House, way: str) -> None:
    owner(house)
    client = visitor(house)
    entered = send(client, "/enter", login="orla", password=PASSWORD, next=way)
    assert (entered.status_code, entered.headers["location"]) == (303, "/")
    for path, fields in (("/preferences", {"units": "celsius"}), ("/leave", {})):
        answer = send(client, path, **fields, next=way)
        assert answer.headers["location"] in {"/", "/enter"}, path


@pytest.mark.parametrize(
    "path",
    ["/static/../auth.py", "/static/..%2fauth.py", "/static/%2e%2e/auth.py", "/static/....//auth.py", "/static//etc/passwd",
     "/piles/..%2f..%2fetc%2fpasswd", "/api/v1/piles/%2e%2e%2fregistry.db", "/help/..%2f..%2fauth", "/help/%2e%2e%2fsecurity.md"],
)  # fmt: skip
def test_no_path_leads_out_of_the_house(house: House, path: str) -> None:
    answer = house.client("manager", Accept="text/html").get(path)
    assert answer.status_code in {404, 405, 422}, answer.text[:200]
    assert "from __future__" not in answer.text
    assert "root:" not in answer.text


def test_another_sites_form_does_nothing(house: House) -> None:
    client = owner(house)
    before = house.parts.registry.version()
    mark = {"csrf": "f" * 64}
    for fields in ({}, mark):
        answer = client.post("/sites", data={"slug": "x", "name": "x", "zone": "UTC", **fields})
        assert answer.status_code == 403
    foreign = visitor(house)
    for headers in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        sent = {"login": "orla", "password": PASSWORD}
        assert foreign.post("/enter", data=sent, headers=headers).status_code == 403
        assert foreign.post("/join", data={"key": "tb_x"}, headers=headers).status_code == 403
    assert house.parts.registry.version() == before


def test_guessing_passwords_is_slowed_by_address_and_by_account(house: House) -> None:
    owner(house)
    client = visitor(house)
    answers = [send(client, "/enter", login="orla", password=f"guess number {number}") for number in range(8)]
    assert [answer.status_code for answer in answers] == [401] * 6 + [429] * 2
    assert int(answers[-1].headers["Retry-After"]) >= 1
    refused = [entry for entry in house.parts.registry.audit.entries() if entry.deed.act == "session.refused"]
    assert len(refused) == 6
    slowdown = house.app.state.slowdown
    for number in range(30):
        slowdown.failed(_from(f"203.0.113.{number}"), "orla")
    assert slowdown.account_wait_s("orla") > 0
    assert slowdown.account_wait_s("tam") == 0


def test_an_address_of_ipv6_is_its_network(house: House) -> None:
    slowdown = house.app.state.slowdown
    for number in range(8):
        slowdown.failed(_from(f"2001:db8:1:2::{number:x}"))
    assert slowdown.wait_s("2001:db8:1:2::/64") > 0


def _from(host: str) -> Any:
    from fastapi import Request

    return Request({"type": "http", "client": (host, 1), "headers": []})


def test_too_many_changes_are_told_to_wait(tmp_path: Path) -> None:
    house = build_house(tmp_path, Settings(web=Web(writes_a_minute=5)))
    client = house.client("manager")
    answers = [client.post("/api/v1/mix", json={}) for _ in range(6)]
    assert [answer.status_code == 429 for answer in answers] == [False] * 5 + [True]
    assert answers[-1].headers["Content-Type"] == "application/problem+json"
    assert 1 <= int(answers[-1].headers["Retry-After"]) <= 13
    assert client.get("/api/v1/piles").status_code == 200
    close_house(house)


def test_changes_come_back_steadily() -> None:
    now = [0.0]
    limit = WriteLimit(lambda *_: None, 60, lambda: now[0])  # type: ignore[arg-type]  # the application is not asked
    assert [limit.take("a") for _ in range(60)] == [0.0] * 60
    assert limit.take("a") > 0
    assert limit.take("b") == 0.0
    now[0] += 2.01
    assert [limit.take("a") == 0.0 for _ in range(3)] == [True, True, False]


def test_a_link_does_its_one_thing_and_ends_with_its_episode(house: House) -> None:
    from shared.episodes import Episode

    registry = house.parts.registry
    pile = house.pile()
    registry.people.add(Person("p-1", "Mina", "UTC"))
    episode = Episode("e-1", "turn_due", "larkfield", pile.id, "", "act", "open", Millis(NOW - HOUR), "x")
    registry.episodes.put(episode)
    key = link_key(registry.memory)

    def link(act: Any, expires_at: int = NOW + DAY) -> str:
        return LINK_PATH + make_link(key, LinkPurpose(act, pile.id, "e-1", "p-1", Millis(expires_at)))

    client = visitor(house)
    assert client.post(link("log_turn")).status_code == 200
    assert [turn.by for turn in registry.piles.turns(pile.id)] == ["Mina"]
    assert client.get("/").status_code in {200, 303}
    assert client.get("/api/v1/piles").status_code == 401  # the link opened nothing else
    assert client.post(link("log_turn", NOW)).status_code == 410
    registry.episodes.put(
        Episode("e-1", "turn_due", "larkfield", pile.id, "", "act", "resolved", Millis(NOW - HOUR), "x")
    )
    for act in ("log_turn", "acknowledge"):
        assert client.post(link(act)).status_code == 410
    assert len(registry.piles.turns(pile.id)) == 1
    registry.episodes.put(Episode("e-2", "turn_overdue", "larkfield", pile.id, "", "act", "open", NOW, "x"))
    assert client.post(link("log_turn")).status_code == 200  # the same turn is still wanted
    deeds = [entry.deed for entry in registry.audit.entries()]
    assert {(deed.who, deed.by) for deed in deeds if deed.act == "piles.add_turn"} == {("Mina", "link")}


def cells_that_begin_a_formula() -> Iterator[str]:
    yield from ("=1+1", "+1", "-1+1", "@x", "\t=1", "\r=1")


@pytest.mark.parametrize("level", list(cells_that_begin_a_formula()))
def test_a_cell_that_begins_a_formula_is_text(level: str) -> None:
    from api.readings_csv import text_cell

    assert text_cell(level).startswith("'")
    assert text_cell("45") == "45"


def test_signing_in_again_and_leaving_leave_no_open_door(house: House) -> None:
    owner(house)
    client = sign_in(house, "orla")
    assert client.get("/api/v1/piles").status_code == 200
    send(client, "/leave")
    assert client.get("/api/v1/piles").status_code == 401


def test_a_person_a_way_and_a_placement_are_deleted_by_their_buttons(house: House) -> None:
    from shared.people import Channel
    from shared.piles import Placement
    from shared.times import Span

    registry, client = house.parts.registry, owner(house)
    house.hear("lance-1", "45", [40.0])
    registry.people.add(Person("p-1", "Mina", "UTC"))
    registry.people.add_channel(Channel("c-1", "p-1", "email", "mina@example.org"))
    registry.probes.place(
        Placement("place-1", "larkfield", "lance-1", house.pile().id, Span(BUILT), "middle")
    )
    for page, action in (
        ("/people", "/channels/c-1/delete"),
        ("/people", "/people/p-1/delete"),
        ("/probes", "/placements/place-1/delete"),
    ):
        assert f'"{action}"' in client.get(page).text, action
        assert send(client, action).status_code == 303, action
    assert (registry.people.all(), registry.people.channels(), registry.probes.placements()) == ([], [], [])
