"""How long the web server waits for a request to be spelled out, and how many connections one address may hold."""

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
    ``per_address``: connections at once; this machine and ``trusted`` proxies may hold any number."""

    head_s: float = 20.0
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

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
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

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        if self._host:
            self.patience.held[self._host] -= 1
            if self.patience.held[self._host] <= 0:
                del self.patience.held[self._host]
            self._host = ""
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._timer = self.loop.call_later(self.patience.head_s, self.transport.close)

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def patient(patience: Patience) -> type[H11Protocol]:
    """The protocol that uvicorn is to speak."""
    return type("Patient", (_Patient,), {"patience": patience})
