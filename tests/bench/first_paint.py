"""What a browser fetches and when it first shows something: the round of 40 piles, a pile of 180 days by six depths.

``python -m tests.bench.first_paint``. Bytes are those on the wire, headers and the service worker's own fetches among
them, counted by a relay between browser and server. A first visit is one with an empty profile; a later one is with
what that left behind. The report is warm, as ``serve`` keeps it. Prints medians of ``VISITS``.
"""

from __future__ import annotations

import json
import socket
import socketserver
import statistics
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext

from api.pages.sparks import sparks_of
from shared.ports import ReadingsStore, Registry
from shared.warm_loop import WarmLoop
from tests.bench.bench_pages import long_pile, yard_of
from tests.pages.browser import PHONE, chromium, visitor
from tests.pages.server import open_parts, serve
from tests.pages.test_every_page import wake_the_curve
from tests.pages.yard import NOW

VISITS = 5
PAINTED_MS = """() => new Promise(done => new PerformanceObserver(list => {
    const found = list.getEntriesByName('first-contentful-paint')[0];
    if (found) done(found.startTime);
}).observe({type: 'paint', buffered: true}))"""


def main() -> None:
    measure("round_40_piles", partial(yard_of, count=40), "/")
    measure("pile_180_days", long_pile, "/piles/long")


def measure(name: str, furnish: Callable[[Registry, ReadingsStore], None], path: str) -> None:
    with tempfile.TemporaryDirectory() as folder, open_parts(Path(folder), (), open_door=True) as parts:
        furnish(parts.registry, parts.readings)
        loop = WarmLoop(
            parts.registry, parts.book, parts.clock, beside_watch=False, then=sparks_of(parts.book).of_many
        )
        while not loop.step(NOW):
            pass
        with serve(parts) as address, relay(address) as counted, chromium() as browser:
            found = [_first_and_later(browser, counted, path) for _ in range(VISITS)]
    for index, visit in enumerate(("first", "later")):
        size = statistics.median(pair[index][0] for pair in found)
        paint = statistics.median(pair[index][1] for pair in found)
        _tell(f"{name}_{visit}_visit", size / 1000, "kB on the wire")
        _tell(f"{name}_{visit}_paint", paint, "ms to first contentful paint")


class Relay(socketserver.ThreadingTCPServer):
    """Hands on what comes, and counts what goes to the browser."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, to: tuple[str, int]) -> None:
        self.to, self.sent, self.lock = to, 0, threading.Lock()
        super().__init__(("127.0.0.1", 0), Pair)


class Pair(socketserver.BaseRequestHandler):
    server: Relay

    def handle(self) -> None:
        with socket.create_connection(self.server.to) as behind:
            asking = threading.Thread(target=self._pump, args=(self.request, behind, False), daemon=True)
            asking.start()
            self._pump(behind, self.request, True)

    def _pump(self, source: socket.socket, target: socket.socket, counts: bool) -> None:
        try:
            while piece := source.recv(65536):
                target.sendall(piece)
                if counts:
                    with self.server.lock:
                        self.server.sent += len(piece)
            target.shutdown(socket.SHUT_WR)
        except OSError:
            return  # one end went away; the other end's reader sees it


@contextmanager
def relay(address: str) -> Iterator[Relay]:
    at = urlsplit(address)
    with Relay((at.hostname or "127.0.0.1", at.port or 80)) as found:
        runner = threading.Thread(target=found.serve_forever, daemon=True)
        runner.start()
        try:
            yield found
        finally:
            found.shutdown()
            runner.join(10)


def _first_and_later(browser: Browser, counted: Relay, path: str) -> list[tuple[int, float]]:
    address = f"http://127.0.0.1:{counted.server_address[1]}"
    with visitor(browser, address, None, size=PHONE) as context:
        return [_visit(context, counted, path) for _ in range(2)]


def _visit(context: BrowserContext, counted: Relay, path: str) -> tuple[int, float]:
    before = counted.sent
    page = context.new_page()
    page.goto(path)
    painted_ms = float(page.evaluate(PAINTED_MS))
    if page.locator("[data-curve]").count():
        wake_the_curve(page)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.wait_for_load_state("networkidle")
    page.close()
    return counted.sent - before, painted_ms


def _tell(name: str, value: float, unit: str) -> None:
    print(json.dumps({"name": f"browser_{name}", "value": round(value, 1), "unit": unit}), flush=True)


if __name__ == "__main__":
    main()
