"""From the moment a probe's message is published to the moment its notice is accepted by a hook, against the time the
hook takes to accept the same body directly. One real service, one pile after the other."""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path
from statistics import median, quantiles

import httpx
import paho.mqtt.publish as mqtt

from shared.times import HOUR, MINUTE, Millis, SystemClock, iso
from tests.e2e.harness import HookSink, Running, api_of, serving, until

PILES = 20


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, HookSink() as hook:
        data = Path(folder) / "data"
        with serving(data) as running, api_of(running, data) as api:
            _furnish(api, hook)
            waits = [_one(running, api, hook, number) for number in range(PILES)]
        bare = [_direct(hook) for _ in range(PILES)]
    for name, ours, theirs in (
        ("publish_to_notice_p50", median(waits), median(bare)),
        ("publish_to_notice_p99", quantiles(waits, n=100)[98], quantiles(bare, n=100)[98]),
    ):
        print(json.dumps({"name": name, "value": round(ours, 4), "unit": "s", "baseline": round(theirs, 4), "ratio": round(ours / theirs, 2)}))  # fmt: skip


def _furnish(api: httpx.Client, hook: HookSink) -> None:
    api.post("/sites", json={"slug": "yard", "name": "Larkfield Yard", "zone": "UTC"}).raise_for_status()
    person = api.post("/people", json={"name": "Orla", "zone": "UTC", "units": "celsius"}).json()["id"]
    api.post(f"/people/{person}/channels", json={"kind": "webhook", "url": hook.url}).raise_for_status()
    api.post("/subscriptions", json={"person": person, "site": "yard"}).raise_for_status()


def _one(running: Running, api: httpx.Client, hook: HookSink, number: int) -> float:
    now = SystemClock().now()
    built = iso(Millis(now - 26 * HOUR))
    peg, probe = f"B-{number:02}", f"lance-{number:02}"
    pile = api.post("/piles", json={"site": "yard", "peg": peg, "built_at": built}).json()["id"]
    place = {"probe": probe, "pile": pile, "from": built, "position": "core"}
    api.post("/placements", json=place).raise_for_status()
    pack = [
        {"n": f"{probe}/t/45", "u": "Cel", "t": (now - step * 10 * MINUTE) / 1000, "v": 66.8}
        for step in range(150, -1, -1)
    ]
    began = time.monotonic()
    mqtt.single(
        f"turnbell/yard/{probe}/readings",
        json.dumps(pack),
        qos=1,
        hostname=running.mqtt_host,
        port=running.mqtt_port,
    )
    until(lambda: [post for post in hook.posts if post.json["peg"] == peg], 60, f"the notice of {peg}")
    return time.monotonic() - began


def _direct(hook: HookSink) -> float:
    began = time.monotonic()
    httpx.post(hook.url, content=hook.posts[0].body).raise_for_status()
    return time.monotonic() - began
