"""Readings through broker -> decode -> commit -> acknowledge, against the MQTT client's bare drain of the same messages.

All arms drain the same backlog from a real mosquitto (in memory: keeping the queue is not what is measured here), in
a process of their own, with manual acknowledgement, QoS 1, MQTT 5 and the same in-flight window. The bare arms do
nothing but acknowledge, one each message, the other in batches; the faster of them is the baseline. Processor time a
message is printed beside the rate: it says the same on a machine that is busy with other things. Run:
``python -m tests.bench ingest``.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.broker import find_mosquitto
from ingest.broker_files import IN_FLIGHT
from ingest.pipeline import IngestLoop
from shared.readings import Reading, SensorKey
from shared.settings import Settings
from shared.stores import open_readings, open_registry
from shared.times import DAY, Millis, SystemClock
from tests.ingest.brokers import wait_for
from tests.ports import free_port

SENSORS = 60_000
DEPTHS = 3


def main() -> None:
    if find_mosquitto() is None:
        print(json.dumps({"name": "ingest", "skipped": "mosquitto is not installed"}))
        return
    scale = float(os.environ.get("BENCH_SCALE", "1"))
    for per_message, messages in ((1, 40_000), (60, 4_000)):
        compare(f"ingest_{per_message}_a_message", int(messages * scale), per_message)


def compare(name: str, count: int, per_message: int, store: Path | None = None) -> None:
    """Print the whole chain beside the bare drain; ``store`` = a readings file to go on with."""
    each, batched = (_arm(bare, count, per_message) for bare in (_bare, _bare_in_batches))
    whole = _arm(_whole, count, per_message, store)
    bare = max(each, batched, key=lambda arm: arm["messages_s"])
    _print(f"{name}_messages", whole["messages_s"], "messages/s", bare["messages_s"])
    _print(
        f"{name}_readings", whole["messages_s"] * per_message, "readings/s", bare["messages_s"] * per_message
    )
    _print(f"{name}_processor", whole["cpu_us"], "us/message", bare["cpu_us"])
    _print(f"{name}_memory", whole["peak_mb"], "MB", bare["peak_mb"])


def _print(name: str, value: float, unit: str, baseline: float) -> None:
    print(
        json.dumps(
            {
                "name": name,
                "value": round(value),
                "unit": unit,
                "baseline": round(baseline),
                "ratio": round(value / baseline, 3),
            }
        ),
        flush=True,
    )


def _arm(arm: Any, count: int, per_message: int, store: Path | None = None) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder, mosquitto_in_memory(Path(folder)) as port:
        _leave_session(port)
        _publish(port, count, per_message)
        here, there = multiprocessing.Pipe()
        context = multiprocessing.get_context("spawn")
        process = context.Process(
            target=arm, args=(there, port, count, str(store or Path(folder) / "readings.db"))
        )
        process.start()
        if not here.poll(300):
            process.kill()
            raise SystemExit("the bench did not end in 300 s")
        result: dict[str, float] = here.recv()
        process.join(10)
        return result


@contextmanager
def mosquitto_in_memory(folder: Path) -> Iterator[int]:
    port = free_port()
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages {IN_FLIGHT}\nmax_queued_messages 0\n"
        "set_tcp_nodelay true\nlog_type none\n"
    )
    child = subprocess.Popen([str(find_mosquitto()), "-c", str(config)])
    try:
        wait_for(lambda: _answers(port), 10)
        yield port
    finally:
        child.terminate()
        child.wait(10)


def _answers(port: int) -> bool:
    import socket

    with socket.socket() as trial:
        return trial.connect_ex(("127.0.0.1", port)) == 0


def _connected(port: int, client_id: str, *, clean: bool, **more: Any) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5, **more)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # the library leaves it untyped
    properties.SessionExpiryInterval = 0 if clean else 3600
    properties.ReceiveMaximum = 1000
    client.max_inflight_messages = IN_FLIGHT  # of what it publishes
    client.connect("127.0.0.1", port, clean_start=clean, properties=properties)
    return client


def _ask(client: mqtt.Client) -> None:
    client.subscribe("turnbell/+/+/readings", 1)


def _leave_session(port: int) -> None:
    client = _connected(port, "turnbell-ingest", clean=False)
    done = threading.Event()
    client.on_connect = lambda *_: _ask(client)
    client.on_subscribe = lambda *_: done.set()
    client.loop_start()
    assert done.wait(10)
    client.disconnect()
    client.loop_stop()


def _publish(port: int, count: int, per_message: int) -> None:
    """In a process of its own, so that this one's memory and threads stay out of the measurement."""
    code = f"from tests.bench.bench_ingest import publish; publish({port}, {count}, {per_message})"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=300)


def publish(port: int, count: int, per_message: int) -> None:
    client = _connected(port, "publisher", clean=True)
    client.loop_start()
    now = int(time.time())
    for number in range(count):
        probe = number % (SENSORS // DEPTHS)
        client.publish(f"turnbell/bench/P{probe}/readings", _pack(number, per_message, now), 1)
    wait_for(lambda: not client._out_messages, 240)
    client.disconnect()
    client.loop_stop()


def _pack(number: int, per_message: int, now: int) -> bytes:
    """SenML of one sensor: ``number`` goes round the probes first and their depths next."""
    probes = SENSORS // DEPTHS
    depth = 15 * (1 + number // probes % DEPTHS)
    if per_message == 1:
        pack: list[dict[str, Any]] = [
            {"n": f"t/{depth}", "u": "Cel", "v": 50 + number % 200 / 10, "t": now - number}
        ]
    else:
        pack = [{"n": f"t/{depth}", "t": 10 * step, "v": 50 + step / 10} for step in range(per_message)]
        pack[0] |= {"bt": now - 600 * (number // probes + 1) * per_message, "bn": "", "bu": "Cel"}
    return json.dumps(pack, separators=(",", ":")).encode()


def _peak_mb() -> float:
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)


def _bare(pipe: Connection, port: int, count: int, _store: str) -> None:
    _drain(pipe, port, count, 1)


def _bare_in_batches(pipe: Connection, port: int, count: int, _store: str) -> None:
    _drain(pipe, port, count, IN_FLIGHT // 2)


def _drain(pipe: Connection, port: int, count: int, batch: int) -> None:
    client = _connected(port, "turnbell-ingest", clean=False, manual_ack=True)
    seen, first, first_cpu = 0, 0.0, 0.0
    waiting: list[int] = []

    def on_message(mine: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal seen, first, first_cpu
        if not seen:
            first, first_cpu = time.monotonic(), time.process_time()
        seen += 1
        waiting.append(message.mid)
        if len(waiting) == batch or seen == count:
            for mid in waiting:
                mine.ack(mid, 1)
            waiting.clear()

    client.on_message = on_message
    deadline = time.monotonic() + 240
    while seen < count and time.monotonic() < deadline:
        client.loop(1.0)
    wall_s, cpu_s = time.monotonic() - first, time.process_time() - first_cpu
    pipe.send({"messages_s": seen / wall_s, "peak_mb": _peak_mb(), "cpu_us": cpu_s / seen * 1e6})


def _whole(pipe: Connection, port: int, count: int, store: str) -> None:
    readings = open_readings(Path(store))
    registry = open_registry(f"sqlite:///{Path(store).parent}/registry.db")
    now = Millis(SystemClock().now())
    for start in range(0, SENSORS, 5_000):  # a yard that has been running: every sensor is known
        keys = [
            SensorKey("bench", f"P{n // DEPTHS}", str(15 * (1 + n % DEPTHS)))
            for n in range(start, start + 5_000)
        ]
        readings.append([Reading(key, Millis(now - 30 * DAY), 20.0, now) for key in keys])
    loop = IngestLoop(readings, registry, Settings(), SystemClock(), "127.0.0.1", port)
    decoders = loop._intake._decoders
    for number in range(SENSORS):  # and has been heard since this process began
        topic = f"turnbell/bench/P{number % (SENSORS // DEPTHS)}/readings"
        decoders.decode(topic, _pack(number, 1, now // 1000), now)
    stop = threading.Event()
    began: list[tuple[float, float]] = []
    ended: list[tuple[float, float]] = []

    def beat() -> None:
        if not began and len(loop._intake.batch):
            began.append((time.monotonic(), time.process_time()))
        if loop.counts.messages >= count and not ended:
            ended.append((time.monotonic(), time.process_time()))
            stop.set()

    threading.Timer(240, stop.set).start()
    loop.run(stop, beat)
    wall_s, cpu_s = (end - start for end, start in zip(ended[0], began[0], strict=True))
    seen = loop.counts.messages
    pipe.send({"messages_s": seen / wall_s, "peak_mb": _peak_mb(), "cpu_us": cpu_s / seen * 1e6})
    os._exit(0)


if __name__ == "__main__":
    main()
