"""Every form of every page, filled in well, sent by somebody whose role holds on another site only: it does nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.auth import create_token
from shared.accounts import Account
from shared.people import Person, Role, Subscription
from tests.api.conftest import NOW, House, build_house, close_house
from tests.security.test_page_roles import pages
from tests.security.test_sites import MARK, everything_of_the_yard, furnish, ids, on_the_meadow

AT, YARD = "2026-11-24T06:00", "pile-YARD-1"
FILE = b"time,probe,depth_cm,celsius\n2026-11-22T06:00:00Z,logger-7,45,61.5\n"
FORMS: list[tuple[str, dict[str, Any]]] = [
    ("/piles", {"site": MARK, "peg": "NEW", "built_at": AT}),
    ("/piles/build", {"site": MARK, "peg": "NEW-2", "built_at": AT, "text": "yard-secret"}),
    ("/piles/{pile_id}/change", {"peg": "YARD-9"}),
    ("/piles/{pile_id}/build", {"by": "somebody", "text": "yard-secret"}),
    ("/piles/{pile_id}/checklist", {"step": "peg"}),
    ("/piles/{pile_id}/turn", {"at": AT}),
    ("/piles/{pile_id}/turns/{turn}", {"state": "declined"}),
    ("/piles/{pile_id}/note", {"kind": "remark", "text": "x", "at": AT}),
    ("/piles/{pile_id}/import/preview", {"kept": "{kept}", "zone": "UTC"}),
    ("/piles/{pile_id}/import", {"kept": "{kept}", "zone": "UTC"}),
    ("/piles/{pile_id}/imports/{import_id}/undo", {}),
    ("/piles/{pile_id}/import/drop", {"kept": "{dropped}"}),
    ("/placements/{placement}", {"start": "2026-11-21T06:00", "position": "edge"}),
    ("/probes/place", {"probe": "lance-9", "pile": YARD, "start": AT}),
    ("/probes/place-several", {"probe": "lance-8", "pile": YARD, "start": AT}),
    ("/probes/{probe_id}/calibrate", {"depth": "45", "offset": "1", "start": AT}),
    ("/placements/{placement}/delete", {}),
    ("/episodes/{episode}/acknowledge", {}),
    ("/episodes/{episode}/snooze", {"hours": "2"}),
    ("/quarantine/{message}/forget", {}),
    ("/people", {"name": "Somebody", "zone": "UTC"}),
    ("/people/{person}", {"name": "Somebody", "zone": "UTC"}),
    ("/people/{person}/channels", {"kind": "email", "target": "else@example.org"}),
    ("/people/{person}/subscriptions", {"site": MARK}),
    ("/people/{person}/subscriptions", {"pile": YARD}),
    ("/people/{person}/subscriptions", {}),
    ("/channels/{channel}/test", {}),
    ("/channels/{channel}/switch", {"disabled": "yes"}),
    ("/subscriptions/{subscription}/end", {}),
    ("/channels/{channel}/delete", {}),
    ("/people/{person}/delete", {}),
    ("/sites", {"slug": "field", "name": "Field", "zone": "UTC"}),
    ("/mix/answers", {"feedstock": "straw", "question": "sprayed", "text": "no", "verdict": "fine"}),
    ("/mix/feedstocks", {"name": "Ours", "moisture": "50", "carbon": "45", "nitrogen": "2", "source": "us"}),
    ("/mix/feedstocks/remove", {"name": "Ours"}),
    ("/access/invitations", {"name": "Somebody", "role": "viewer"}),
    ("/access/accounts/{account}", {"name": "Somebody", "role": "viewer"}),
    ("/access/accounts/{account}/renew", {}),
    ("/access/accounts/{account}/switch", {"disabled": "yes"}),
    ("/access/accounts/{account}/delete", {}),
    ("/access/tokens", {"name": "Somebody", "role": "viewer"}),
    ("/access/tokens/{token}/end", {}),
    ("/piles/{pile_id}/finish", {"at": "2026-11-25T05:00"}),
]  # fmt: skip
FROM_MEADOW_TO_YARD: list[tuple[str, dict[str, Any]]] = [
    ("/piles/mead-1/turns/{turn}", {"state": "declined"}),
    ("/piles/mead-1/import/preview", {"kept": "{kept}", "zone": "UTC"}),
    ("/piles/mead-1/import", {"kept": "{kept}", "zone": "UTC"}),
    ("/piles/mead-1/import/drop", {"kept": "{kept}"}),
    ("/piles/mead-1/imports/{import_id}/undo", {}),
    ("/probes/place", {"probe": "lance-1", "pile": YARD, "start": AT}),
    ("/probes/place-several", {"probe": "lance-1", "pile": YARD, "start": AT}),
    ("/people/p-2", {"name": "Somebody", "zone": "UTC"}),
    ("/people/p-2/channels", {"kind": "email", "target": "else@example.org"}),
    ("/people/p-2/subscriptions", {"site": MARK}),
    ("/people/p-2/subscriptions", {"pile": YARD}),
    ("/people/p-2/subscriptions", {}),
    ("/people/p-2/delete", {}),
]
"""Things of the yard named beside one's own; p-2 is told of both sites."""
ONLY_ANSWERS = {"/piles/{pile_id}/import/preview", "/channels/{channel}/test"}
OF_NOBODYS_SITE = re.compile(r"/(account/.*|do/.*|enter.*|join|leave|preferences)")
"""The doors, and what belongs to the caller's own account."""


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    built = build_house(tmp_path)
    furnish(built)
    built.parts.registry.accounts.add(Account("account-1", "ines", "Ines", NOW, "viewer"))
    people = built.parts.registry.people
    people.add(Person("p-2", "Piet", "UTC"))
    for number, site in enumerate((MARK, "meadow")):
        people.subscribe(Subscription(f"both-{number}", "p-2", site))
    yield built
    close_house(built)


def names(house: House) -> dict[str, str]:
    """The ids that only the running house knows; a file waits to be stored, another one was."""
    client, registry = house.client("manager"), house.parts.registry
    kept = []
    for probe in ("logger-1", "logger-2", "logger-3"):
        sent = {"readings": ("a.csv", FILE.replace(b"logger-7", probe.encode()), "text/csv")}
        seen = client.post(f"/piles/{YARD}/import/preview", files=sent)
        kept += re.findall(r'name="kept" value="(\w+)"', seen.text)[:1]
    assert client.post(f"/piles/{YARD}/import", data={"kept": kept[0], "zone": "UTC"}).status_code == 200
    (record,) = registry.memory.names("import.")
    house.app.state.imports.wait(record.removeprefix("import."), 60)
    create_token(registry, "viewer", "of the yard", NOW)
    token = next(one.id for one in registry.access.tokens() if one.name == "of the yard")
    return {
        "{kept}": kept[1], "{dropped}": kept[2], "{import_id}": record.removeprefix("import."), "{probe_id}": registry.probes.all(MARK)[0].id,
        "{account}": "account-1", "{token}": token, "{subscription}": "s-1", "{turn}": f"turn-{MARK}",
    }  # fmt: skip


def filled(text: str, known: dict[str, str]) -> str:
    for name, value in known.items():
        text = text.replace(name, value)
    return text


def send(client: Any, path: str, form: dict[str, Any], known: dict[str, str]) -> Any:
    data = {name: filled(value, known) for name, value in form.items()}
    return client.post(ids(filled(path, known), MARK), data=data, follow_redirects=False)


def everything(house: House) -> list[Any]:
    registry = house.parts.registry
    uploads = house.parts.data_dir / "uploads"
    return [
        *everything_of_the_yard(house), registry.memory.names(""), house.parts.readings.count(),
        sorted(file.name for file in uploads.glob("*")),
    ]  # fmt: skip


def test_the_forms_are_those_of_every_page(house: House) -> None:
    found = {page.removeprefix("POST ") for page in pages(house) if page.startswith("POST ")}
    bare = {re.sub(r"\{\w+\}", "{}", path) for path, _ in FORMS}
    assert {
        page
        for page in found
        if not OF_NOBODYS_SITE.fullmatch(page) and re.sub(r"\{\w+\}", "{}", page) not in bare
    } == set()


@pytest.mark.parametrize("role", ["viewer", "helper", "manager"])
def test_no_form_reaches_another_site(house: House, role: Role) -> None:
    client, known = on_the_meadow(house, role), names(house)
    before = everything(house)
    for path, form in FORMS:
        answer = send(client, path, form, known)
        # a person of whom the meadow knows nothing is one whom the form cannot name
        expected = {422} if path.endswith("/subscriptions") and role == "manager" else {403, 404}
        assert answer.status_code in expected, (path, answer.status_code, answer.text)
        assert everything(house) == before, path


def test_no_form_for_ones_own_site_takes_things_of_another(house: House) -> None:
    client, known = on_the_meadow(house, "manager"), names(house)
    before = everything(house)
    for path, form in FROM_MEADOW_TO_YARD:
        answer = send(client, path, form, known)
        refused = {403, 404, 409, 410, 422} if not path.endswith("/drop") else {303}
        assert answer.status_code in refused, (path, answer.status_code, answer.text)
        assert "61.5" not in answer.text, path
        assert everything(house) == before, path


def test_the_same_forms_do_something_for_who_may(house: House) -> None:
    """Or the tests before would hold for forms that nobody can send."""
    client, known = house.client("manager"), names(house)
    for path, form in FORMS:
        before = everything(house)
        answer = send(client, path, form, known)
        assert answer.status_code in {200, 303}, (path, answer.status_code, answer.text)
        assert everything(house) != before or path in ONLY_ANSWERS, path
