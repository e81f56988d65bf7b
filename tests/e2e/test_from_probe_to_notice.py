"""The main job: from a probe's message to a turn notice and a heat curve, with a real broker, mail server and hook."""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import httpx
import paho.mqtt.publish as mqtt
import pytest

from shared.times import HOUR, MINUTE, Millis, SystemClock, iso
from tests import loopback
from tests.e2e.harness import HookSink, MailSink, Running, api_of, serving, until

Thing = TypeVar("Thing")
SECRET = "a shared secret of the test"


@dataclass
class Yard:
    data: Path
    config: Path
    mail: MailSink
    hook: HookSink


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    with MailSink() as mail, HookSink() as hook:
        config = tmp_path / "turnbell.toml"
        config.write_text(
            f'[email]\nhost = "127.0.0.1"\nport = {mail.port}\ntls = "none"\nfrom = "turnbell@yard.example"\n'
        )
        yield Yard(tmp_path / "data", config, mail, hook)


def publish(running: Running, probe: str, samples: list[tuple[int, float]]) -> None:
    """One SenML pack of a sensor at 45 cm."""
    pack = [{"n": f"{probe}/t/45", "u": "Cel", "t": at / 1000, "v": value} for at, value in samples]
    mqtt.single(
        f"turnbell/yard/{probe}/readings",
        json.dumps(pack),
        qos=1,
        hostname=running.mqtt_host,
        port=running.mqtt_port,
    )


def furnish(api: httpx.Client, yard: Yard, built_at: Millis) -> str:
    """A site, a pile with a placed probe, and a maker with an email and a webhook channel. Gives the pile's id."""

    def post(path: str, body: dict[str, object]) -> dict[str, object]:
        answer = api.post(path, json=body)
        assert answer.is_success, answer.text
        made: dict[str, object] = answer.json()
        return made

    post("/sites", {"slug": "yard", "name": "Larkfield Yard", "zone": "Europe/Dublin"})
    pile = str(
        post("/piles", {"site": "yard", "peg": "K-07", "built_at": iso(built_at), "kind": "caged"})["id"]
    )
    post("/placements", {"probe": "lance-07", "pile": pile, "from": iso(built_at), "position": "core"})
    person = str(post("/people", {"name": "Orla", "zone": "Europe/Dublin", "units": "celsius"})["id"])
    post(f"/people/{person}/channels", {"kind": "email", "address": "orla@yard.example"})
    post(f"/people/{person}/channels", {"kind": "webhook", "url": yard.hook.url, "secret": SECRET})
    post("/subscriptions", {"person": person, "site": "yard"})
    return pile


def first(things: list[Thing]) -> Thing | None:
    return things[0] if things else None


def hot_for(hours: float, celsius: float, now: int) -> list[tuple[int, float]]:
    """A reading every ten minutes, the last one just now."""
    steps = round(hours * 6)
    return [(now - 10 * MINUTE * (steps - step), celsius) for step in range(steps + 1)]


def turn_is_answered(api: httpx.Client) -> bool:
    turns = [one for one in api.get("/episodes").json()["items"] if one["kind"].startswith("turn_")]
    return bool(turns) and all(one["state"] == "resolved" for one in turns)


def a_hot_day(api: httpx.Client, running: Running, yard: Yard) -> str:
    """K-07 was over 65 °C for a day until just now, of which its maker hears in every way. Gives its id."""
    now = SystemClock().now()
    pile = furnish(api, yard, Millis(now - 26 * HOUR))
    publish(running, "lance-07", hot_for(25.0, 66.8, now))
    post = until(lambda: first(yard.hook.posts), 60, f"the webhook: {running.output()}")
    letter = until(lambda: first(yard.mail.messages), 60, "the email")

    body = post.json
    assert body["kind"] in {"turn_due", "turn_overdue"}
    assert (body["peg"], body["pile"], body["reason"]) == ("K-07", pile, "first")
    assert post.headers["Idempotency-Key"] == body["id"]
    signature = hmac.new(SECRET.encode(), post.body, hashlib.sha256).hexdigest()
    assert any(signature in value for value in post.headers.values())
    assert "K-07" in str(letter["Subject"])
    assert any(part.get_content_type() == "image/png" for part in letter.walk())

    report = api.get(f"/piles/{pile}/heat").json()
    assert report["hottest"]["hours_above"]["65"] == pytest.approx(25.0, abs=1e-4)
    assert report["turn"]["state"] in {"due", "overdue"}
    curve = api.get(f"/piles/{pile}/readings").json()
    assert "66.8" in json.dumps(curve)
    page = loopback.get(f"{running.web}piles/{pile}", headers=api.headers)
    assert page.status_code == 200
    assert "K-07" in page.text
    return pile


def turns_answer(api: httpx.Client, *piles: str) -> None:
    for pile in piles:
        turn = {"at": iso(SystemClock().now())}
        assert api.post(f"/piles/{pile}/turns", json=turn, headers={"Idempotency-Key": pile}).is_success
    until(lambda: turn_is_answered(api), 30, "the episode to be resolved")


def test_a_hot_day_ends_in_notices_a_curve_and_an_answer_without_mosquitto_too(
    yard: Yard, tmp_path: Path
) -> None:
    with (
        serving(yard.data, config=yard.config, path=str(tmp_path)) as running,
        api_of(running, yard.data) as api,
    ):
        turns_answer(api, a_hot_day(api, running, yard))


def test_a_hot_day_ends_in_notices_and_a_curve_a_restart_tells_nothing_again_and_a_turn_answers(
    yard: Yard,
) -> None:
    with serving(yard.data, config=yard.config) as running, api_of(running, yard.data) as api:
        pile = a_hot_day(api, running, yard)
        assert running.stop() == 0
    told = len(yard.hook.posts), len(yard.mail.messages)
    with serving(yard.data, config=yard.config) as running, api_of(running, yard.data) as api:
        # a second pile's notice shows that the worker and the sender have been round since the restart
        now = SystemClock().now()
        built = iso(Millis(now - 26 * HOUR))
        second = api.post("/piles", json={"site": "yard", "peg": "K-08", "built_at": built}).json()["id"]
        placed = {"probe": "lance-08", "pile": second, "from": built, "position": "core"}
        assert api.post("/placements", json=placed).is_success
        publish(running, "lance-08", hot_for(25.0, 66.8, now))
        until(
            lambda: [post for post in yard.hook.posts if post.json["peg"] == "K-08"],
            60,
            "the second pile's notice",
        )
        until(lambda: len(yard.mail.messages) > told[1], 60, "its email")
        again = [post.json["title"] for post in yard.hook.posts[told[0] :] if post.json["peg"] != "K-08"]
        assert again == []
        assert all("K-08" in str(letter["Subject"]) for letter in yard.mail.messages[told[1] :])
        turns_answer(api, pile, second)
