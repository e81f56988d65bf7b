"""How fast the sender works, in seconds of the machine's clock, whatever clock the site runs on."""

from __future__ import annotations

import random
from dataclasses import dataclass

from shared.episodes import Severity
from shared.times import Clock, ScaledClock


@dataclass(frozen=True, slots=True)
class Pace:
    poll_s: float = 0.05  # how often the outbox is looked at
    lease_s: float = 15.0  # so long after a crash another sender takes over; renewed while a send goes on
    first_wait_s: float = 5.0
    longest_wait_s: float = 900.0
    urgent_wait_s: float = 120.0  # an urgent notice never waits longer between two tries
    elsewhere_after_s: float = 900.0  # in vain for so long: it is told by another channel as well
    doubtful_s: float = 3600.0  # an address that is not found for so long is taken for gone
    in_hand: int = 64  # notices under way or in line at once
    queue: int = 16  # of them in line for one channel

    def wait_s(
        self, failures: int, severity: Severity, asked_s: float | None, chance: random.Random
    ) -> float:
        """The pause after the ``failures``-th failure: doubling, with jitter, no shorter than the other side asked."""
        longest = self.urgent_wait_s if severity == "urgent" else self.longest_wait_s
        full = min(longest, self.first_wait_s * 2.0 ** min(failures - 1, 30))
        return max(full * chance.uniform(0.5, 1.0), asked_s or 0.0)


def clock_rate(clock: Clock) -> float:
    """Milliseconds of the site's clock in one of the machine's."""
    return clock.speed if isinstance(clock, ScaledClock) else 1.0
