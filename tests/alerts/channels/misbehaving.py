"""Servers on loopback that hang, hang up, talk nonsense or never come to an end."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

from tests.alerts.channels.servers import server_tls

Manner = Callable[[socket.socket, threading.Event], None]


def hang(sock: socket.socket, ended: threading.Event) -> None:
    """Takes the connection and never says a word."""
    ended.wait(30.0)


def hang_up(sock: socket.socket, ended: threading.Event) -> None:
    """Closes at once."""


def garbage(sock: socket.socket, ended: threading.Event) -> None:
    sock.sendall(b"\x00\xff\x13\x37 what is this\r\n\r\n" * 4)


def dribble(sock: socket.socket, ended: threading.Event) -> None:
    """A byte now and then, so that no single read ever takes long."""
    for letter in (b"HTTP/1.1 200 OK\r\nX-Slow: " + b"a" * 3000) if _first(sock) else b"220-slow " * 300:
        if ended.wait(0.05):
            return
        sock.sendall(bytes([letter]))


def half_reply(sock: socket.socket, ended: threading.Event) -> None:
    """Says that more is to come, and closes."""
    sock.settimeout(2.0)
    if _first(sock):
        sock.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\nonly so mu")
    else:
        sock.sendall(b"220-there is more to com")


def _first(sock: socket.socket) -> bytes:
    """What the client says first; nothing when it waits for us (SMTP)."""
    sock.settimeout(0.3)
    try:
        return sock.recv(65536)
    except TimeoutError:
        return b""


@contextlib.contextmanager
def misbehaving(manner: Manner, *, tls: bool = False) -> Iterator[int]:
    """The port of a server that deals with each connection in ``manner``."""
    listener, ended = socket.create_server(("127.0.0.1", 0)), threading.Event()
    listener.settimeout(0.05)
    context = server_tls() if tls else None

    def serve(sock: socket.socket) -> None:
        with contextlib.suppress(OSError), sock:
            talk = context.wrap_socket(sock, server_side=True) if context else sock
            manner(talk, ended)

    def accept() -> None:
        while not ended.is_set():
            with contextlib.suppress(TimeoutError):
                sock, _ = listener.accept()
                sock.settimeout(None)
                threading.Thread(target=serve, args=(sock,), daemon=True).start()

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        ended.set()
        thread.join(5.0)
        listener.close()
