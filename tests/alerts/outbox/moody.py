"""A server that behaves badly by chance, with a seed."""

from __future__ import annotations

import contextlib
import json
import random
import socket
import threading
from typing import Self


class Moody:
    """An HTTP server that now and then answers 500 or 429, hangs, or breaks off: before or after it took the message."""

    MOODS = ("ok", "500", "429", "hang", "half", "cut", "half headers")

    def __init__(self, seed: int, bad_for: int) -> None:
        self._chance, self._left = random.Random(seed), bad_for
        self.taken: list[tuple[str, str]] = []
        self.moods: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self._ended, self._lock = threading.Event(), threading.Lock()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self.port: int = self._listener.getsockname()[1]

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(5.0)
        self._listener.close()

    def _accept(self) -> None:
        while not self._ended.is_set():
            with contextlib.suppress(TimeoutError):
                sock, _ = self._listener.accept()
                threading.Thread(target=self._serve, args=(sock,), daemon=True).start()

    def _mood(self) -> str:
        with self._lock:
            self._left -= 1
            mood = self._chance.choice(self.MOODS) if self._left > 0 else "ok"
            self.moods.append(mood)
            return mood

    def _serve(self, sock: socket.socket) -> None:
        with contextlib.suppress(OSError), sock:
            sock.settimeout(3.0)
            mood, request = self._mood(), self._read(sock)
            if mood in {"ok", "half", "cut", "half headers"}:  # taken, whatever the sender hears of it
                with self._lock:
                    self.taken.append(request)
            answers = {
                "ok": b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok",
                "500": b"HTTP/1.1 500 Oh\r\nContent-Length: 0\r\n\r\n",
                "429": b"HTTP/1.1 429 Slow\r\nRetry-After: 0\r\nContent-Length: 0\r\n\r\n",
                "half": b"HTTP/1.1 200 OK\r\nContent-Length: 99\r\n\r\nok",
                "half headers": b"HTTP/1.1 200 OK\r\nConte",
            }
            if mood == "hang":
                self._ended.wait(2.0)
            sock.sendall(answers.get(mood, b""))

    @staticmethod
    def _read(sock: socket.socket) -> tuple[str, str]:
        def more() -> bytes:
            if piece := sock.recv(65536):
                return piece
            raise ConnectionError("the sender has given up")

        raw = b""
        while b"\r\n\r\n" not in raw:
            raw += more()
        head, _, rest = raw.partition(b"\r\n\r\n")
        headers = dict(line.lower().split(": ", 1) for line in head.decode().split("\r\n")[1:])
        while len(rest) < int(headers["content-length"]):
            rest += more()
        body = json.loads(rest)
        return headers["idempotency-key"], f"{body['episode']} {body['reason']} {body['title']}"
