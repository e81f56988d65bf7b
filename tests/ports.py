"""A port for a service of the tests."""

from __future__ import annotations

import os
import random
import socket

# Below the range from which the machine gives ports to connections (32 768 and up on Linux), so that nothing takes
# it between the look and the start; a slice for each process, so that two that test at once do not meet.
_FIRST, _SLICES, _WIDE = 20_000, 120, 100
_tried = random.Random(os.getpid())


def free_port() -> int:
    """Nobody listens on it just now, and no other process of the tests is likely to try it."""
    first = _FIRST + os.getpid() % _SLICES * _WIDE
    while True:
        port = first + _tried.randrange(_WIDE)
        with socket.socket() as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
