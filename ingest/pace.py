"""How fast, how much, how long: the numbers of the loop, and what it has counted."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pace:
    """Times in seconds, sizes in messages or bytes; tests make them short."""

    linger_s: float = 0.05  # the longest that a message waits for others to share its commit
    batch: int = 500
    batch_readings: int = 5_000
    batch_octets: int = 8 << 20
    receive_maximum: int = 1_000
    hold: int = 20_000  # beyond these nothing is read
    hold_octets: int = 64 << 20
    echo_every_s: float = 20.0
    first_echo_s: float = 10.0  # without one for so long after connecting, somebody is told
    deaf_after_s: float = 30.0  # without an echo, though the broker has answered a ping sent after it
    silent_after_s: float = 900.0  # where the broker does not let us hear ourselves
    first_pause_s: float = 0.2
    longest_pause_s: float = 20.0
    store_pause_s: float = 0.2
    longest_store_pause_s: float = 5.0


@dataclass(slots=True)
class Counts:
    messages: int = 0
    batches: int = 0
    connects: int = 0
    deaf: int = 0
    store_troubles: int = 0
