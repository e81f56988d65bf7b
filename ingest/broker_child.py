"""The process that holds the embedded broker. Run as a script by ``ingest.broker``, never imported by it.

Its standard input is a pipe from the parent: when that closes, because the parent has gone, however it went, the broker
is stopped. Two kinds: mosquitto, a process of its own that saves its queue on the way out; and the broker from PyPI,
which speaks MQTT 3.1.1 and 5 on two ports, so that one front port looks at each CONNECT and passes the connection on.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

_PR_SET_PDEATHSIG = 1
_FIRST_PACKET = 32  # bytes within which every CONNECT has told its version

ROUTER = """
id = 0
[router]
id = 0
max_connections = 10010
max_outgoing_packet_count = 1000
max_segment_size = 104857600
max_segment_count = 10
"""
LISTENER = """
[v{major}.1]
name = "v{major}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v{major}.1.connections]
connection_timeout_ms = 10000
max_payload_size = 1048576
max_inflight_count = 200
dynamic_filters = true
"""


def main() -> int:
    options = json.loads(sys.argv[1])
    if options["kind"] == "mosquitto":
        return _mosquitto(options["program"], options["config"])
    return _from_pypi(options["host"], options["port"])


def _when_parent_goes(act: Callable[[], None]) -> None:
    def wait() -> None:
        while os.read(0, 4096):  # not sys.stdin: its lock would be held while the interpreter ends
            pass
        act()

    threading.Thread(target=wait, daemon=True).start()


def _mosquitto(program: str, config: str) -> int:
    prctl = ctypes.CDLL(None).prctl if sys.platform == "linux" else None

    def die_with_me() -> None:
        if prctl is not None:
            prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)

    child = subprocess.Popen(  # noqa: S603 - the path that the parent found
        [program, "-c", config],
        stdin=subprocess.DEVNULL,
        preexec_fn=die_with_me,  # noqa: PLW1509 - no thread has been started yet
    )
    signal.signal(signal.SIGTERM, lambda *_: child.terminate())
    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # Ctrl-C reaches the whole group; the parent decides when to stop
    _when_parent_goes(child.terminate)
    code = child.wait()
    return code if code >= 0 else 128 - code


def _from_pypi(host: str, port: int) -> int:
    from iotcore.iotcore import IotCoreBroker  # noqa: PLC0415 - a machine with mosquitto never loads it

    listener = socket.create_server((host, port), backlog=256)
    ports = {major: _free_port() for major in (4, 5)}
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _when_parent_goes(lambda: os._exit(0))
    with tempfile.TemporaryDirectory(prefix="turnbell-broker-") as folder:
        config = Path(folder) / "broker.toml"
        text = ROUTER + "".join(LISTENER.format(major=major, port=ports[major]) for major in ports)
        config.write_text(text, "utf-8")
        broker = IotCoreBroker(config_path=str(config))
    threading.Thread(target=broker.run_forever, daemon=True).start()
    asyncio.run(_front(listener, ports))
    return 0


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port: int = probe.getsockname()[1]
        return port


async def _front(listener: socket.socket, ports: dict[int, int]) -> None:
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, lambda: os._exit(0))
    for port in ports.values():
        await _wait_for(port)

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            first = await asyncio.wait_for(_first_bytes(reader), 10)
            major = 5 if protocol_level(first) == 5 else 4
            onward_reader, onward = await asyncio.open_connection("127.0.0.1", ports[major])
        except (OSError, TimeoutError):
            writer.close()
            return
        onward.write(first)
        await asyncio.gather(_pump(reader, onward), _pump(onward_reader, writer))

    server = await asyncio.start_server(serve, sock=listener)
    sys.stdout.write(f"ready {listener.getsockname()[1]}\n")
    sys.stdout.flush()
    async with server:
        await server.serve_forever()


async def _wait_for(port: int) -> None:
    for _ in range(500):
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.02)
        else:
            writer.close()
            return
    raise SystemExit(f"the broker did not listen on its port {port} within 10 s")


async def _first_bytes(reader: asyncio.StreamReader) -> bytes:
    data = b""
    while len(data) < _FIRST_PACKET and protocol_level(data) is None:
        more = await reader.read(4096)
        if not more:
            break
        data += more
    return data


def protocol_level(data: bytes) -> int | None:
    """The version number in the first bytes of a CONNECT (4 = 3.1.1, 5 = 5), None while they do not reach so far."""
    place = 1
    while place < len(data) and place < 5 and data[place] & 0x80:
        place += 1
    name_at = place + 1
    if len(data) < name_at + 2:
        return None
    level_at = name_at + 2 + int.from_bytes(data[name_at : name_at + 2], "big")
    return data[level_at] if level_at < len(data) else None


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        while data := await reader.read(65_536):
            writer.write(data)
            await writer.drain()
    except OSError:
        pass  # one side has gone; closing tells the other
    finally:
        with contextlib.suppress(OSError):
            writer.close()


if __name__ == "__main__":
    sys.exit(main())
