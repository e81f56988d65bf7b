"""Slow clients and many connections, against the real web server on loopback."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from typing import Any

import pytest
from fastapi import FastAPI, Request
from starlette.responses import JSONResponse, Response
from uvicorn.protocols.http.flow_control import FlowControl

from api.body_limit import BodyLimit
from deploy.web import WebServer, address_of, bind
from deploy.web_patience import Patience, patient
from tests import loopback

DEADLINE_S = 60.0


@contextmanager
def served(
    patience: Patience, proxies: tuple[str, ...] = (), piece_s: float = DEADLINE_S
) -> Iterator[tuple[str, int]]:
    app = FastAPI()

    @app.post("/echo")
    async def echo(request: Request) -> Response:
        return JSONResponse({"bytes": len(await request.body())})

    @app.get("/who")
    async def who(request: Request) -> dict[str, str]:
        return {"host": request.client.host if request.client else "", "scheme": request.url.scheme}

    @app.get("/much")
    async def much(megabytes: int = 64) -> Response:
        return Response(bytes(megabytes << 20))

    app.add_middleware(BodyLimit, piece_s=piece_s)
    listener = bind("127.0.0.1", 0)
    web = WebServer(app, listener, proxies, patience)
    web.start()
    try:
        wait_until(lambda: web.alive)
        port = listener.getsockname()[1]
        assert address_of(listener).endswith(f":{port}/")
        yield "127.0.0.1", port
    finally:
        web.stop()
        listener.close()


def wait_until(done: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not done():
        assert time.monotonic() < deadline
        threading.Event().wait(0.02)


def whole_answer(connection: socket.socket) -> bytes:
    """Until the server closes."""
    connection.settimeout(DEADLINE_S)
    got = b""
    while piece := connection.recv(65536):
        got += piece
    return got


@pytest.mark.parametrize(
    "beginning", [b"", b"GET /who HTTP/1.1\r\nHost: x\r\nX-Slow: "], ids=["silent", "half a head"]
)
def test_a_client_that_does_not_finish_its_request_is_let_go(beginning: bytes) -> None:
    with served(Patience(head_s=0.5)) as address, socket.create_connection(address, DEADLINE_S) as slow:
        slow.sendall(beginning)
        assert whole_answer(slow) == b""


def test_a_body_that_does_not_come_is_408() -> None:
    with served(Patience(), piece_s=0.5) as address, socket.create_connection(address, DEADLINE_S) as slow:
        slow.sendall(
            b"POST /echo HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\nConnection: close\r\n\r\nhalf"
        )
        assert whole_answer(slow).startswith(b"HTTP/1.1 408")


def asked_for_much(address: tuple[str, int]) -> socket.socket:
    """A connection whose answer is far larger than what the system keeps for a reader."""
    connection = socket.socket()
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    connection.settimeout(DEADLINE_S)
    connection.connect(address)
    connection.sendall(b"GET /much HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
    return connection


def test_a_client_that_does_not_take_its_answer_is_cut_off() -> None:
    patience = Patience(taken_s=0.5, trust_loopback=False)
    with served(patience) as address, asked_for_much(address):
        wait_until(lambda: patience.held["127.0.0.1"] == 1)
        wait_until(lambda: patience.held["127.0.0.1"] == 0)


class Waiting:
    """A transport with so much left to send at each look, and a loop whose clock strikes when it is told to."""

    def __init__(self, *left: int) -> None:
        self.left, self.cut = list(left), False
        self.next: Callable[[], None] = self.abort

    def get_write_buffer_size(self) -> int:
        return self.left.pop(0)

    def abort(self) -> None:
        self.cut = True

    def call_later(self, _seconds: float, look: Callable[[], None]) -> None:
        self.next = look


@pytest.mark.parametrize(
    ("left", "cut"),
    [((90_000, 85_000, 3_000, 0), False), ((90_000, 89_990), True), ((90_000, 50_000, 50_000), True)],
)
def test_a_client_that_takes_its_answer_slowly_gets_all_of_it(left: tuple[int, ...], cut: bool) -> None:
    protocol: Any = object.__new__(patient(Patience(taken_bytes=4096)))
    protocol.flow = FlowControl(protocol)
    protocol.transport = protocol.loop = waiting = Waiting(*left)
    protocol.pause_writing()
    while waiting.left and not waiting.cut:
        waiting.next()
    assert waiting.cut == cut


def test_others_are_served_while_slow_ones_wait() -> None:
    with served(Patience(head_s=DEADLINE_S)) as address, ExitStack() as held:
        for _ in range(300):
            slow = held.enter_context(socket.create_connection(address, DEADLINE_S))
            slow.sendall(b"POST /echo HTTP/1.1\r\nHost: x\r\n")
        answer = loopback.get(f"http://{address[0]}:{address[1]}/who", timeout=DEADLINE_S)
        assert answer.status_code == 200


def test_one_address_holds_so_many_connections_and_no_more() -> None:
    patience = Patience(head_s=DEADLINE_S, per_address=20, trust_loopback=False)
    with served(patience) as address, ExitStack() as held:
        kept = [held.enter_context(socket.create_connection(address, DEADLINE_S)) for _ in range(20)]
        wait_until(lambda: patience.held["127.0.0.1"] == 20)
        with socket.create_connection(address, DEADLINE_S) as more:
            assert whole_answer(more) == b""
        kept[0].close()
        wait_until(lambda: patience.held["127.0.0.1"] == 19)
        kept[1].sendall(b"GET /who HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert whole_answer(kept[1]).startswith(b"HTTP/1.1 200")


def test_many_at_once_are_all_answered() -> None:
    with served(Patience()) as address, ThreadPoolExecutor(40) as pool:

        def ask(number: int) -> bytes:
            with socket.create_connection(address, DEADLINE_S) as connection:
                head = (
                    f"POST /echo HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: {number}\r\n\r\n"
                )
                connection.sendall(head.encode() + b"x" * number)
                return whole_answer(connection).rpartition(b"\r\n\r\n")[2]

        assert list(pool.map(ask, range(200))) == [f'{{"bytes":{number}}}'.encode() for number in range(200)]


def test_only_a_proxy_of_ours_speaks_for_others() -> None:
    told = {"X-Forwarded-For": "203.0.113.7", "X-Forwarded-Proto": "https"}
    for proxies, said in (
        ((), {"host": "127.0.0.1", "scheme": "http"}),
        (("10.0.0.0/8",), {"host": "127.0.0.1", "scheme": "http"}),
        (("127.0.0.0/8",), {"host": "203.0.113.7", "scheme": "https"}),
    ):
        with served(Patience(), proxies) as address:
            answer = loopback.get(f"http://{address[0]}:{address[1]}/who", headers=told, timeout=DEADLINE_S)
            assert answer.json() == said, proxies
