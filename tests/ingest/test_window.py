from __future__ import annotations

from ingest.window import AckWindow


def drain(window: AckWindow, brokers_window: int, batches: int) -> int:
    """How many of the batches had to wait for the timer, with a broker that sends so many and then waits."""
    by_timer = 0
    for _ in range(batches):
        timer = not window.is_full(brokers_window)
        by_timer += timer
        window.sent(brokers_window if timer else max(window.target, brokers_window), by_timer=timer)
    return by_timer


def test_a_window_smaller_than_the_batch_is_learnt_after_two_timers() -> None:
    window = AckWindow(500)
    assert drain(window, 20, 50) == 2
    assert window.target == 20


def test_a_window_that_has_grown_is_used() -> None:
    window = AckWindow(500)
    drain(window, 20, 5)
    drain(window, 300, 5)
    assert window.target >= 300


def test_the_batch_never_grows_beyond_its_largest() -> None:
    window = AckWindow(500)
    drain(window, 20, 5)
    drain(window, 5_000, 10)
    assert window.target == 500


def test_single_messages_at_leisure_are_sent_by_the_timer_or_at_once() -> None:
    window = AckWindow(500)
    for _ in range(5):
        window.sent(1, by_timer=not window.is_full(1))
    assert window.target == 1
    window.sent(40, by_timer=False)
    assert window.target == 40
