"""How long the web server waits for a request to be spelled out and for its answer to be taken, and how many
connections one address may hold."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import dataclass, field
from ipaddress import ip_address, ip_network
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol


@dataclass(frozen=True, slots=True)
class Patience:
    """``head_s``: from the connection, or from the first letter after an answer, to the end of a request's head.
    ``taken_s``: in so long a reader takes ``taken_bytes`` of what waits for it, or is cut off; what the system's own buffer
    holds does not wait. ``per_address``: connections at once; this machine and ``trusted`` proxies may hold any number."""

    head_s: float = 20.0
    taken_s: float = 30.0
    taken_bytes: int = 4096
    per_address: int = 100
    trusted: tuple[str, ...] = ()
    trust_loopback: bool = True
    held: Counter[str] = field(default_factory=Counter)

    def unbounded(self, host: str) -> bool:
        try:
            address = ip_address(host)
        except ValueError:
            return True  # a socket of this machine
        if address.is_loopback and self.trust_loopback:
            return True
        return any(address in ip_network(one, strict=False) for one in self.trusted)


class _Patient(H11Protocol):
    patience: Patience
    _host = ""
    _timer: asyncio.TimerHandle | None = None
    _reader: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        transport.set_write_buffer_limits(high=0)  # pause_writing is called for whatever has to wait
        peer = transport.get_extra_info("peername")
        host = str(peer[0]) if isinstance(peer, tuple) else ""
        if host and not self.patience.unbounded(host):
            self._host = host
            self.patience.held[host] += 1
            if self.patience.held[host] > self.patience.per_address:
                transport.close()
                return
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()  # the head is whole; a body has its own clock
        elif self._timer is None and not self.transport.is_closing():
            self._wait()

    def on_response_complete(self) -> None:
        self._stop_waiting()  # between two requests uvicorn's own clock runs
        super().on_response_complete()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._expect_less(self.transport.get_write_buffer_size())

    def resume_writing(self) -> None:
        self._stop_expecting()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        self._stop_expecting()
        if self._host:
            self.patience.held[self._host] -= 1
            if self.patience.held[self._host] <= 0:
                del self.patience.held[self._host]
            self._host = ""
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._timer = self.loop.call_later(self.patience.head_s, self.transport.close)

    def _expect_less(self, waiting: int) -> None:
        def look() -> None:
            left = self.transport.get_write_buffer_size()
            if waiting - left < min(waiting, self.patience.taken_bytes):
                self.transport.abort()
            else:
                self._expect_less(left)

        self._reader = self.loop.call_later(self.patience.taken_s, look)

    def _stop_expecting(self) -> None:
        if self._reader is not None:
            self._reader.cancel()
            self._reader = None

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def patient(patience: Patience) -> type[H11Protocol]:
    """The protocol that uvicorn is to speak."""
    return type("Patient", (_Patient,), {"patience": patience})
