"""Failed keys from one address are answered ever more rarely."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

from fastapi import Request

from api.problems import ProblemError

FREE_TRIES = 5
LONGEST_S = 300.0
FORGET_S = 900.0  # without a failure
ADDRESSES = 10_000  # the oldest are forgotten first


@dataclass(slots=True)
class _Failures:
    count: int
    last: float


class Slowdown:
    """After five failures the address waits 1, 2, 4 ... 300 s; a success or a quarter of an hour's rest clears it."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._failures: OrderedDict[str, _Failures] = OrderedDict()
        self._lock = Lock()

    def check(self, request: Request) -> None:
        """429 with Retry-After while the caller's address has to wait."""
        wait_s = self.wait_s(address_of(request))
        if wait_s > 0:
            seconds = str(int(wait_s) + 1)
            raise ProblemError(
                429, f"Too many wrong keys from your address. Try again in {seconds} s.",
                headers={"Retry-After": seconds},
            )  # fmt: skip

    def wait_s(self, address: str) -> float:
        with self._lock:
            failures = self._failures.get(address)
            if failures is None or failures.count <= FREE_TRIES:
                return 0.0
            pause = min(LONGEST_S, 2.0 ** (failures.count - FREE_TRIES - 1))
            return max(0.0, failures.last + pause - self._monotonic())

    def failed(self, request: Request) -> None:
        address, now = address_of(request), self._monotonic()
        with self._lock:
            failures = self._failures.pop(address, None)
            if failures is None or now - failures.last > FORGET_S:
                failures = _Failures(0, now)
            failures.count, failures.last = min(failures.count + 1, 64), now
            self._failures[address] = failures
            while len(self._failures) > ADDRESSES:
                self._failures.popitem(last=False)

    def succeeded(self, request: Request) -> None:
        with self._lock:
            self._failures.pop(address_of(request), None)


def address_of(request: Request) -> str:
    return request.client.host if request.client else "unknown"
