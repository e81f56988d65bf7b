"""Thins data directories in processes that kill themselves (-9), each in the middle of the transaction in which its nth
piece goes: ``python -m tests.keeping.thin_child DATA PIECE DATA PIECE ...``; prints how each ended."""

from __future__ import annotations

import os
import signal
import sys
from itertools import count
from pathlib import Path

from deploy import thinning
from shared.stores import readings_thin
from tests.keeping.aged_yard import opened


def thin_until(data: Path, piece: int) -> None:
    note, noted = readings_thin._note, count(1)

    def last_of(*told: object) -> None:
        if next(noted) == piece:
            os.kill(os.getpid(), signal.SIGKILL)
        note(*told)  # type: ignore[arg-type]

    readings_thin._note = last_of  # type: ignore[assignment]
    thinning.AT_ONCE = 2_000
    with opened(data) as house:
        thinning.thin(house)


if __name__ == "__main__":
    for data, piece in zip(sys.argv[1::2], sys.argv[2::2], strict=True):
        child = os.fork()
        if child == 0:
            thin_until(Path(data), int(piece))
            os._exit(0)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
