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


@pytest.mark.parametrize("broker", ["as installed", "without mosquitto"])
def test_a_hot_day_ends_in_a_turn_notice_by_mail_and_webhook_in_a_curve_and_in_the_turn_that_answers_it(
    yard: Yard, broker: str, tmp_path: Path
) -> None:
    now = SystemClock().now()
    path = None if broker == "as installed" else str(tmp_path)
    with serving(yard.data, config=yard.config, path=path) as running, api_of(running, yard.data) as api:
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

        logged = api.post(
            f"/piles/{pile}/turns", json={"at": iso(SystemClock().now())}, headers={"Idempotency-Key": "1"}
        )
        assert logged.is_success
        until(lambda: turn_is_answered(api), 30, "the episode to be resolved")


def test_a_restart_with_no_new_data_sends_nothing(yard: Yard) -> None:
    now = SystemClock().now()
    with serving(yard.data, config=yard.config) as running, api_of(running, yard.data) as api:
        furnish(api, yard, Millis(now - 26 * HOUR))
        publish(running, "lance-07", hot_for(25.0, 66.8, now))
        until(lambda: yard.hook.posts and yard.mail.messages, 60, "the first notices")
        assert running.stop() == 0
    told = len(yard.hook.posts), len(yard.mail.messages)
    with serving(yard.data, config=yard.config) as running, api_of(running, yard.data) as api:
        # a second pile's notice shows that the worker and the sender have been round since the restart
        second = api.post(
            "/piles", json={"site": "yard", "peg": "K-08", "built_at": iso(Millis(now - 26 * HOUR))}
        ).json()["id"]
        api.post(
            "/placements",
            json={
                "probe": "lance-08",
                "pile": second,
                "from": iso(Millis(now - 26 * HOUR)),
                "position": "core",
            },
        )
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
