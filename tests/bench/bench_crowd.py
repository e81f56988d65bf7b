"""Two hundred callers at once on the round, against the real web server in a process of its own: requests a second,
the slowest one in a hundred, errors, and what the server holds in memory afterwards.

`python -m tests.bench.bench_crowd 600` keeps it up for ten minutes.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

CALLERS, FEW = 200, 8
SECONDS = 6.0
LISTENING = "listening "


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 and sys.argv[1].replace(".", "").isdigit() else SECONDS
    with tempfile.TemporaryDirectory() as folder, served(Path(folder)) as (port, key, process):
        asyncio.run(crowd(port, key, 1, 1.0))  # the first report of each pile is worked out once
        few = asyncio.run(crowd(port, key, FEW, SECONDS))
        before = resident_mib(process)
        many = asyncio.run(crowd(port, key, CALLERS, seconds))
        after = resident_mib(process)
    tell(f"api round, {CALLERS} callers at once", many.rate, "requests/s", few.rate)
    tell(f"api round, {CALLERS} callers, slowest of a hundred", many.p99_ms, "ms", few.p99_ms)
    tell(f"api round, {CALLERS} callers, errors of {many.count}", many.errors, "errors", None)
    tell(f"web server after {seconds:g} s of it", after, "MiB", before)


class Outcome:
    def __init__(self, took_s: list[float], errors: int, seconds: float) -> None:
        self.count, self.errors, self.rate = len(took_s), errors, len(took_s) / seconds
        self.p99_ms = float(np.percentile(took_s, 99)) * 1000 if took_s else 0.0


async def crowd(port: int, key: str, callers: int, seconds: float) -> Outcome:
    took: list[float] = []
    errors = 0
    request = f"GET /api/v1/round HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {key}\r\n\r\n".encode()
    ends = time.monotonic() + seconds

    async def caller() -> None:
        nonlocal errors
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        while time.monotonic() < ends:
            began = time.monotonic()
            writer.write(request)
            head = await reader.readuntil(b"\r\n\r\n")
            length = next(
                int(line[15:]) for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")
            )
            await reader.readexactly(length)
            took.append(time.monotonic() - began)
            errors += not head.startswith(b"HTTP/1.1 200")
        writer.close()

    ended = await asyncio.gather(*(caller() for _ in range(callers)), return_exceptions=True)
    return Outcome(took, errors + sum(isinstance(one, Exception) for one in ended), seconds)


@contextmanager
def served(folder: Path) -> Iterator[tuple[int, str, int]]:
    """The port, a viewer's token, and the process id of the server."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.bench_crowd", "--serve", str(folder)],
        stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2], env=dict(os.environ),
    ) as server:  # fmt: skip
        assert server.stdout
        try:
            line = next(line for line in server.stdout if line.startswith(LISTENING))
            port, key = line.removeprefix(LISTENING).split()
            yield int(port), key, server.pid
        finally:
            server.terminate()
            server.wait(30)


def serve(folder: Path) -> None:
    from api.app import create_app
    from api.auth import create_token
    from api.parts import Parts
    from deploy.web import WebServer, bind, wait_for_a_signal
    from shared.heat.catalogue import Catalogue
    from shared.heat_book import HeatBook
    from shared.settings import Settings
    from shared.stores import open_readings, open_registry
    from shared.times import SystemClock
    from tests.bench.bench_api import _furnish

    registry, readings = open_registry(folder / "registry.db"), open_readings(folder / "readings.db")
    catalogue, settings, now = Catalogue.load(), Settings(), SystemClock().now()
    _furnish(registry, readings, now)
    book = HeatBook(readings, registry, catalogue, settings.max_gap_ms)
    app = create_app(Parts(registry, readings, book, catalogue, settings, folder))
    listener = bind("127.0.0.1", 0)
    web = WebServer(app, listener)
    web.start()
    print(LISTENING, listener.getsockname()[1], create_token(registry, "viewer", "bench", now), flush=True)
    wait_for_a_signal()
    web.stop()
    readings.close()
    registry.close()


def resident_mib(process: int) -> float:
    for line in Path(f"/proc/{process}/status").read_text("ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return 0.0


def tell(name: str, value: float, unit: str, baseline: float | None) -> None:
    ratio = None if not baseline else round(value / baseline, 3)
    shown = None if baseline is None else round(baseline, 2)
    print(
        json.dumps({"name": name, "value": round(value, 2), "unit": unit, "baseline": shown, "ratio": ratio}),
        flush=True,
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--serve"]:
        serve(Path(sys.argv[2]))
    else:
        main()
