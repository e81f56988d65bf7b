"""Many live sensors on one machine, as fast as it drains: ``python -m tests.bench.day SENSORS ROUNDS [KIND] [DAYS]``.

ROUNDS is at least 2, and at most a pile for each. A round is one message of every probe (three depths) over MQTT, ten
minutes of time after the last; 144 rounds are a day. A pile has two probes, a site fifty piles. Values vary a little, or
each probe would be called stuck after some hours. The next round begins when the last one is stored and looked at. In
every round one pile grows too hot, and how long its notice takes is measured; the piles before it are still hot, and those
after it well. KIND is ``one`` (all that `turnbell serve` starts, embedded stores; its clock is put on by ten minutes a
round, `day_service.py`) or ``apart`` (two ingesters, two watches, one page server; mosquitto, PostgreSQL and
VictoriaMetrics, all on this machine; by the machine's clock, so that the first of many rounds would be old: two or
three). DAYS of readings lie in the store beforehand (``one`` alone; 0 when absent). Says on standard error how far it
is; prints one JSON line; processor seconds are those of the service and of what it runs on, not of the publisher.
"""

from __future__ import annotations

import json
import os
import sys
import time
from contextlib import ExitStack
from statistics import median

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from shared.times import DAY, Millis, SystemClock, iso
from tests.bench.day_places import (
    DEPTHS,
    PATIENCE_S,
    PILES_A_SITE,
    PROBES_A_PILE,
    STEP,
    Place,
    apart,
    one,
    piles_of,
)
from tests.bench.processes import cpu_s_by_program, mib_by_program
from tests.e2e.harness import until

REST_S, MORE_THAN_REST, AT_WORK = 1.5, 0.1, 0.5  # of one core


class Rounds:
    def __init__(self, place: Place, piles: int, start: int, at_rest: float) -> None:
        self._place, self._piles, self._start, self._at_rest = place, piles, start, at_rest
        self._stored = place.store.count()
        self.lag_s: list[float] = []
        self.looked_s: list[float] = []
        self.notice_s: list[float] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-probes")
        self._client.max_queued_messages_set(0)
        self._client.max_inflight_messages_set(500)
        self._client.connect("127.0.0.1", place.port)
        self._client.loop_start()

    def run(self, number: int) -> None:
        at, began = self._start + number * STEP, time.monotonic()
        if self._place.clock is not None:
            self._place.clock.put_to(at)
        sent_at = time.time()
        for pile in range(self._piles):
            celsius = 71.5 if pile <= number else 55.0 + pile % 40 / 16
            for probe in range(PROBES_A_PILE):
                sway = number * 7 + pile * 3 + probe * 5
                values = {depth: celsius + (sway + 4 * nth) % 11 / 16 for nth, depth in enumerate(DEPTHS)}
                payload = {"time": iso(Millis(at)), "celsius": values}
                last = self._client.publish(
                    f"turnbell/b{pile // PILES_A_SITE}/P-{pile}-{probe}/readings", json.dumps(payload), 1
                )
        last.wait_for_publish(PATIENCE_S)
        self._stored += self._piles * PROBES_A_PILE * len(DEPTHS)
        until(lambda: self._place.store.count() >= self._stored, PATIENCE_S, "all readings in the store")
        self.lag_s.append(time.monotonic() - began)
        peg = f"B-{number}"
        self.notice_s.append(until(lambda: self._told(peg), PATIENCE_S, f"the notice about {peg}") - sent_at)
        until(self._rests, PATIENCE_S, "a service at rest")
        self.looked_s.append(time.monotonic() - began)

    def _rests(self) -> bool:
        return share_of_a_core(REST_S) < self._at_rest + MORE_THAN_REST

    def _told(self, peg: str) -> float | None:
        posts = (post for post in self._place.hook.posts if post.json["kind"] == "cool_pile")
        return next((post.at for post in posts if post.json["peg"] == peg), None)

    def messages(self) -> int:
        """To people, so far."""
        return len(self._place.hook.posts)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def share_of_a_core(seconds: float) -> float:
    """What all that runs below this process uses."""
    before, began = sum(cpu_s_by_program().values()), time.monotonic()
    time.sleep(seconds)
    return (sum(cpu_s_by_program().values()) - before) / (time.monotonic() - began)


def wait_until_quiet() -> float:
    """Until it uses no less than before, and not most of a core: the share that it takes at rest."""
    deadline, last = time.monotonic() + PATIENCE_S, float("inf")
    while time.monotonic() < deadline:
        share = share_of_a_core(4 * REST_S)
        if 0.9 * last < share < AT_WORK or share < MORE_THAN_REST:
            return share
        last = share
    raise AssertionError("it does not come to rest")


def say_how_far(number: int, turns: Rounds, spent_s: float) -> None:
    looked, told, mib = turns.looked_s[-1], turns.notice_s[-1], sum(mib_by_program().values())
    print(
        f"# round {number + 1}: looked at after {looked:.1f} s, told after {told:.1f} s, {spent_s:.1f} s of "
        f"processor, {mib:.0f} MiB, {turns.messages()} messages so far",
        file=sys.stderr,
        flush=True,
    )


def main(sensors: int, rounds: int, kind: str, days: float) -> None:
    piles = piles_of(sensors)
    if not 2 <= rounds <= piles:
        sys.exit(f"{sensors} sensors make {piles} piles: 2 to {piles} rounds")
    now = SystemClock().now()
    start = now if kind == "one" else now - (rounds - 1) * STEP
    built = Millis(start - max(2 * DAY, round(days * DAY)))
    places = {"one": one, "apart": apart}
    with ExitStack() as stack:
        place = stack.enter_context(places[kind](piles, built, (start - round(days * DAY), start)))
        turns = Rounds(place, piles, start, wait_until_quiet())
        before, laid = cpu_s_by_program(), place.store.count()
        spent = []
        for number in range(rounds):
            turns.run(number)
            spent.append(cpu_s_by_program())
            say_how_far(
                number, turns, sum(spent[-1].values()) - sum((spent[-2] if number else before).values())
            )
        turns.close()
        at_rest = share_of_a_core(8 * REST_S)  # now, when all that is worked out beforehand has been
        added = place.store.count() - laid
        size = sum(file.stat().st_size for file in place.folder.glob("readings.db*"))
        at_work = sum(spent[-1].values()) - sum(spent[0].values()) - at_rest * sum(turns.looked_s[1:])
        steady = at_work / (rounds - 1)
        found = {
            "kind": kind,
            "sensors": piles * PROBES_A_PILE * len(DEPTHS),
            "piles": piles,
            "rounds": rounds,
            "readings_beforehand": laid,
            "readings": added,
            "cores_at_rest": round(at_rest, 3),
            "cpu_s_first_round": round(sum(spent[0].values()) - sum(before.values()), 2),
            "cpu_s_a_round": round(steady, 2),
            "cores_for_a_live_day": round(at_rest + steady / 600, 4),
            "cpu_s_by_program": {
                name: round(value - before.get(name, 0.0), 1) for name, value in sorted(spent[-1].items())
            },
            "memory_mib_by_program": {name: round(mib) for name, mib in mib_by_program().items()},
            "stored_after_s_p50": round(median(turns.lag_s), 1),
            "looked_at_after_s_p50": round(median(turns.looked_s), 1),
            "notice_after_s_p50": round(median(turns.notice_s), 1),
            "notice_after_s_max": round(max(turns.notice_s), 1),
            "load_average": round(os.getloadavg()[0]),
        }
        if size:
            found["bytes_a_reading"] = round(size / (laid + added), 1)
        print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main(
        int(sys.argv[1]),
        int(sys.argv[2]),
        sys.argv[3] if len(sys.argv) > 3 else "one",
        float(sys.argv[4]) if len(sys.argv) > 4 else 0.0,
    )
