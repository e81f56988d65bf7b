"""`turnbell serve` under a clock that is put on from outside: ``python -m tests.bench.day_service DATA CLOCK``.

CLOCK is a file of eight bytes: how many milliseconds the clock is ahead of the machine's. Whoever writes it may let it
grow at any time, so that ten minutes go by in none.
"""

from __future__ import annotations

import logging
import mmap
import sys
from pathlib import Path

from deploy.house import open_house
from deploy.service import Service
from deploy.web import wait_for_a_signal
from shared.settings import Settings
from shared.times import Millis, SystemClock


class LedClock:
    def __init__(self, file: Path) -> None:
        with file.open("r+b") as opened:
            self._ahead = mmap.mmap(opened.fileno(), 8)

    def now(self) -> Millis:
        return Millis(SystemClock().now() + int.from_bytes(self._ahead[:8], "little"))

    def put_to(self, at: int) -> None:
        """Never back: what is later already stays."""
        ahead = max(at - SystemClock().now(), int.from_bytes(self._ahead[:8], "little"))
        self._ahead[:8] = ahead.to_bytes(8, "little")


def main(data: Path, clock: Path) -> None:
    logging.basicConfig(level=logging.WARNING, stream=sys.stdout)
    house = open_house(data, Settings(), LedClock(clock), create=True)
    service = Service(house, host="127.0.0.1", port=0, mqtt_host="127.0.0.1", mqtt_port=0)
    service.start()
    wait_for_a_signal()
    service.stop()
    house.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
