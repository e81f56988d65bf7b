"""Failed keys from one address, and wrong passwords for one account, are answered ever more rarely."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network, ip_address
from threading import Lock

from fastapi import Request

from api.problems import ProblemError

FREE_TRIES = 5
LONGEST_S = 300.0
ACCOUNT_FREE_TRIES = 20  # from wherever; the owner must not be shut out by whoever knows the name
ACCOUNT_LONGEST_S = 30.0
FORGET_S = 900.0  # without a failure
ADDRESSES = 10_000  # the oldest are forgotten first


@dataclass(slots=True)
class _Failures:
    count: int
    last: float


class Slowdown:
    """After five failures the address waits 1, 2, 4 ... 300 s; a success or a quarter of an hour's rest clears it.
    ``login``: the account that is asked for, which waits too after twenty, from wherever they came."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._failures: OrderedDict[str, _Failures] = OrderedDict()
        self._lock = Lock()

    def check(self, request: Request, login: str = "") -> None:
        """429 with Retry-After while the caller's address, or the account, has to wait."""
        wait_s = max(self.wait_s(address_of(request)), self.account_wait_s(login))
        if wait_s > 0:
            seconds = str(int(wait_s) + 1)
            raise ProblemError(
                429, f"Too many wrong keys from your address. Try again in {seconds} s.",
                headers={"Retry-After": seconds},
            )  # fmt: skip

    def wait_s(self, address: str) -> float:
        return self._wait_s(address, FREE_TRIES, LONGEST_S)

    def account_wait_s(self, login: str) -> float:
        return self._wait_s(f"account {login}", ACCOUNT_FREE_TRIES, ACCOUNT_LONGEST_S) if login else 0.0

    def failed(self, request: Request, login: str = "") -> None:
        now = self._monotonic()
        with self._lock:
            for key in _keys(request, login):
                failures = self._failures.pop(key, None)
                if failures is None or now - failures.last > FORGET_S:
                    failures = _Failures(0, now)
                failures.count, failures.last = min(failures.count + 1, 64), now
                self._failures[key] = failures
            while len(self._failures) > ADDRESSES:
                self._failures.popitem(last=False)

    def succeeded(self, request: Request, login: str = "") -> None:
        with self._lock:
            for key in _keys(request, login):
                self._failures.pop(key, None)

    def _wait_s(self, key: str, free: int, longest_s: float) -> float:
        with self._lock:
            failures = self._failures.get(key)
            if failures is None or failures.count <= free:
                return 0.0
            pause = min(longest_s, 2.0 ** (failures.count - free - 1))
            return max(0.0, failures.last + pause - self._monotonic())


def _keys(request: Request, login: str) -> tuple[str, ...]:
    return (address_of(request), f"account {login}") if login else (address_of(request),)


def address_of(request: Request) -> str:
    """Where it came from; of IPv6 the network, for whoever has one address there has 2^64 of them."""
    host = request.client.host if request.client else "unknown"
    try:
        address = ip_address(host)
    except ValueError:
        return host
    return str(IPv6Network((address, 64), strict=False)) if isinstance(address, IPv6Address) else host
