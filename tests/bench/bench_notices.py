"""From the outbox to the other side: how long one notice takes, and how many go through.

Real registry file, real HTTP on loopback; the sink notes when it has each body whole. Ratios within one run:
- ``notices.outbox_to_sink_p50`` / ``_p99``: from the row being durable to the sink having it, one at a time; baseline a
  bare loop that posts the same bodies with one kept connection
- ``notices.sent_per_s``: notices put at once, over 20 channels, until the last is marked; baseline the same bare loop
- ``notices.letter_with_curve``: an email over SMTP with a picture of 60 KiB; baseline the same letter by bare smtplib
"""

from __future__ import annotations

import json
import smtplib
import statistics
import tempfile
import time
from pathlib import Path

import httpx

from alerts.channels.letter import letter
from alerts.channels.mail import MailSender
from alerts.channels.port import Parcel, body
from alerts.channels.webhook import WebhookSender
from alerts.outbox_pace import Pace
from shared.notices import Notice
from shared.people import Channel, Person
from shared.ports import Registry
from shared.settings import Settings
from tests.alerts.channels.servers import Answer, Got, http_sink, smtp_sink
from tests.alerts.outbox.yard import episode, notice, running, senders, until, yard

ONE_BY_ONE, AT_ONCE, CHANNELS, LETTERS = 150, 600, 20, 60
OPEN = Settings.model_validate({"web": {"allow_private_webhooks": True}})


def say(name: str, value: float, unit: str, baseline: float) -> None:
    line = {"name": name, "value": round(value, 3), "unit": unit, "baseline": round(baseline, 3)}
    print(json.dumps(line | {"ratio": round(value / baseline, 3)}))


def ways(registry: Registry, url: str) -> list[Channel]:
    made = []
    for number in range(CHANNELS):
        registry.people.add(Person(f"w-{number}", f"Worker {number}", "Europe/Dublin"))
        made.append(Channel(f"h-{number}", f"w-{number}", "webhook", f"{url}/{number}"))
        registry.people.add_channel(made[-1])
    return made


def notices(channels: list[Channel], name: str, count: int) -> list[Notice]:
    return [
        notice(f"{name}-{number:05}", way.id, way.person_id, episode_id="e-1")
        for number, way in ((number, channels[number % len(channels)]) for number in range(count))
    ]


def main() -> None:
    came: dict[str, float] = {}

    def note(got: Got) -> Answer:
        came[got.headers["idempotency-key"]] = time.perf_counter()
        return Answer()

    with tempfile.TemporaryDirectory() as folder, yard(Path(folder)) as registry, http_sink() as sink:
        sink.answer = note
        channels = ways(registry, sink.url)
        registry.episodes.put(episode())
        bare_ms, bare_per_s = bare(notices(channels, "bare", ONE_BY_ONE), sink.url, came)
        with running(registry, senders(webhook=WebhookSender(OPEN)), pace=Pace()):
            ours_ms = one_by_one(registry, notices(channels, "one", ONE_BY_ONE), came)
            per_s = at_once(registry, notices(channels, "all", AT_ONCE), came)
    for share in (50, 99):
        say(
            f"notices.outbox_to_sink_p{share}",
            percentile(ours_ms, share),
            "ms",
            percentile(bare_ms, share),
        )
    say("notices.sent_per_s", per_s, "1/s", bare_per_s)
    letters()


def bare(bodies: list[Notice], url: str, came: dict[str, float]) -> tuple[list[float], float]:
    took = []
    began = time.perf_counter()
    with httpx.Client(trust_env=False) as client:
        for each in bodies:
            start = time.perf_counter()
            client.post(url, content=body(each), headers={"Idempotency-Key": each.id}).raise_for_status()
            took.append((came[each.id] - start) * 1000)
    return took, len(bodies) / (time.perf_counter() - began)


def one_by_one(registry: Registry, each_of: list[Notice], came: dict[str, float]) -> list[float]:
    took = []
    for each in each_of:
        registry.notices.put(each)
        start = time.perf_counter()
        until(lambda each=each: each.id in came)  # type: ignore[misc]
        took.append((came[each.id] - start) * 1000)
    return took


def at_once(registry: Registry, all_of: list[Notice], came: dict[str, float]) -> float:
    with registry.begin() as tx:
        for each in all_of:
            tx.notices.put(each)
    began = time.perf_counter()
    until(lambda: len(came) >= 2 * ONE_BY_ONE + AT_ONCE, 120.0)
    until(lambda: all(registry.notices.get(each.id).state == "sent" for each in all_of[-CHANNELS:]), 60.0)
    return AT_ONCE / (time.perf_counter() - began)


def letters() -> None:
    picture = bytes(60 * 1024)
    ada = Person("ada", "Ada", "Europe/Dublin")
    way = Channel("m", "ada", "email", "ada@yard.example")
    parcels = [Parcel(notice(f"m-{number}"), way, ada, lambda: picture) for number in range(LETTERS)]
    with smtp_sink() as sink:
        mail = {"host": "localhost", "port": sink.port, "tls": "none", "from": "bell@yard.example"}
        sender = MailSender(Settings.model_validate({"email": mail}))
        began = time.perf_counter()
        for parcel in parcels:
            sender.send(parcel)
        ours = (time.perf_counter() - began) / LETTERS * 1000
        written = [letter(parcel, "bell@yard.example") for parcel in parcels]
        began = time.perf_counter()
        for message in written:
            with smtplib.SMTP("localhost", sink.port) as server:
                server.send_message(message)
        plain = (time.perf_counter() - began) / LETTERS * 1000
    say("notices.letter_with_curve", ours, "ms", plain)


def percentile(values: list[float], share: int) -> float:
    return statistics.quantiles(values, n=100)[share - 1]
