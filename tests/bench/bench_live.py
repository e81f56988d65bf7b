"""With a thousand piles live: from a reading being stored to its notice being accepted by a hook.

Real registry, readings store and heat book on files, the watch and the sender as they run, HTTP on loopback; all in one
process. Ratios within one run:
- ``alerts.reading_to_hook_p50`` / ``_p99``: one hot reading at a time; baseline the pause between two looks of the watch
- ``alerts.ticks_per_s``: ticks with one changed pile each, without the pause; baseline ticks in which nothing changed
"""

from __future__ import annotations

import json
import statistics
import tempfile
import threading
import time
from pathlib import Path

from alerts.channels.webhook import WebhookSender
from alerts.outbox_pace import Pace
from alerts.worker import POLL_S
from shared.people import Channel, Person, Subscription
from shared.settings import Settings
from shared.times import MINUTE, SECOND
from tests.alerts.channels.servers import Answer, Got, http_sink
from tests.alerts.outbox.yard import running, senders, until
from tests.bench.bench_alerts import _line, _Yard

PILES, HOT, TICKS = 1000, 100, 100
OPEN = Settings.model_validate({"web": {"allow_private_webhooks": True}})


def main() -> None:
    came: dict[str, float] = {}

    def note(got: Got) -> Answer:
        came.setdefault(json.loads(got.body)["peg"], time.perf_counter())
        return Answer()

    with tempfile.TemporaryDirectory() as folder, http_sink() as sink:
        sink.answer = note
        yard = _Yard(Path(folder), PILES)
        yard.drain()
        changed = rate(yard, changed=1)
        idle = rate(yard, changed=0)
        people = yard.registry.people
        people.add(Person("gate", "Gate", "Europe/Dublin"))
        people.add_channel(Channel("gate-hook", "gate", "webhook", sink.url))
        people.subscribe(Subscription("gate-all", "gate"))
        stop = threading.Event()
        watch = threading.Thread(target=yard.watch.run, args=(stop, lambda: None))
        watch.start()
        try:
            with running(yard.registry, senders(webhook=WebhookSender(OPEN)), pace=Pace()):
                took_s = [one(yard, number, came) for number in range(HOT)]
        finally:
            stop.set()
            watch.join(60)
            yard.close()
    for share in (50, 99):
        value = statistics.quantiles(took_s, n=100)[share - 1]
        _line(f"alerts.reading_to_hook_p{share}", value * 1e3, "ms", POLL_S * 1e3)
    _line("alerts.ticks_per_s", changed, "1/s", idle)


def speak(yard: _Yard, which: range, celsius: float = 58.0) -> None:
    """A second after the last: no other pile falls due meanwhile."""
    yard.clock.at -= MINUTE - SECOND
    yard.speak(which, celsius)


def rate(yard: _Yard, *, changed: int) -> float:
    took = 0.0
    for number in range(TICKS):
        speak(yard, range(number, number + changed))
        took += yard.tick()
    return TICKS / took


def one(yard: _Yard, number: int, came: dict[str, float]) -> float:
    """Seconds from the call that stores a reading of 72 °C to the hook having the notice whole."""
    began = time.perf_counter()
    speak(yard, range(number, number + 1), 72.0)
    until(lambda: f"K-{number}" in came)
    return came[f"K-{number}"] - began


if __name__ == "__main__":
    main()
