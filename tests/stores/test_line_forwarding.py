"""Readings on their way to VictoriaMetrics: what a kill, an absence or a silent refusal does to them."""

from __future__ import annotations

import signal
import threading
from pathlib import Path

import pytest

from shared.ports import StorageError, StoreBusy
from shared.readings import Reading
from shared.stores import LineReadings
from shared.stores.line.forward import ForwardLoop, ForwardPace
from shared.stores.line.protocol import lines
from shared.times import DAY, HOUR, Millis, Span
from tests.contracts.readings_made import EVER
from tests.contracts.victoria import Victoria, running
from tests.e2e.harness import until
from tests.stores.line_yard import BEGAN, PATIENCE_S, SENSOR, forwarder, opened, rows, settle, some


def test_every_bit_of_a_value_comes_back_and_the_spool_is_empty(victoria: Victoria, tmp_path: Path) -> None:
    store = opened(victoria.fresh(), tmp_path)
    sent = some(500)
    assert store.append(sent).stored == 500
    forward = forwarder(store)
    settle(forward, victoria)
    assert sum(forward.backlog().values()) == 0
    curve = store.read(SENSOR, EVER)
    assert list(zip(curve.at.tolist(), curve.value.tolist(), strict=True)) == rows(sent)
    assert store.append(sent).stored == 0, "what has long left the spool is still known"
    store.close()


def test_a_kill_of_the_far_store_right_after_its_yes_loses_nothing(tmp_path: Path) -> None:
    with running() as victoria:
        store = opened(victoria.fresh(), tmp_path)
        forward = forwarder(store)
        sent = some(3000)
        for start in range(0, 3000, 300):
            store.append(sent[start : start + 300])
            forward._send()
            if start % 900 == 0:
                victoria.end(signal.SIGKILL)
                victoria.start()
        victoria.flush()
        there = store.remote.curves(BEGAN, BEGAN + 365 * DAY, [SENSOR]).get(SENSOR)
        assert there is None or len(there) < 3000, (
            "the kills cost the far store nothing: this test shows nothing"
        )
        assert rows(sent) == _read(store)
        settle(forward, victoria)
        assert sum(forward.backlog().values()) == 0
        assert forward.counts.resent > 0
        assert rows(sent) == _read(store)
        store.close()


def _read(store: LineReadings) -> list[tuple[int, float]]:
    curve = store.read(SENSOR, EVER)
    return list(zip(curve.at.tolist(), curve.value.tolist(), strict=True))


def test_a_kill_of_our_own_process_between_sending_and_noting_it_doubles_nothing(
    victoria: Victoria, tmp_path: Path
) -> None:
    far = victoria.fresh()
    store = opened(far, tmp_path)
    store.append(some(200))
    before = forwarder(store)
    waiting = before._in_state(0, 2**60)
    store.remote.write(
        lines(waiting, measurement=store.remote.measurement)
    )  # sent, and then gone before it could say so
    store.close()
    store = opened(far, tmp_path)
    settle(forwarder(store), victoria)
    assert _read(store) == rows(some(200))
    assert store.count() == 200
    store.close()


def test_while_the_far_store_is_away_readings_are_taken_and_the_newest_read(tmp_path: Path) -> None:
    with running() as victoria:
        store = opened(victoria.fresh(), tmp_path)
        forward = forwarder(store)
        store.append(some(50))
        settle(forward, victoria)
        victoria.end()
        assert store.append(some(10, first=50)).stored == 10
        assert len(store.read(SENSOR, Span(some(1, first=50)[0].at))) == 10
        with pytest.raises(StoreBusy):
            store.read(SENSOR, EVER)
        with pytest.raises(StoreBusy):
            forward.step()
        store.ping()
        victoria.start()
        settle(forward, victoria)
        assert _read(store) == rows(some(60))
        store.close()


def test_a_repeat_that_came_while_the_far_store_was_away_is_found_out_later(tmp_path: Path) -> None:
    with running() as victoria:
        store = opened(victoria.fresh(), tmp_path)
        forward = forwarder(store)
        store.append(some(50))
        settle(forward, victoria)
        victoria.end()
        again = [Reading(SENSOR, one.at, 99.0, one.at) for one in some(3)]
        late = [Reading(SENSOR, Millis(BEGAN + 1), 55.0, BEGAN)]
        store.append([*again, *late])
        victoria.start()
        settle(forward, victoria)
        assert _read(store) == sorted([*rows(some(50)), (BEGAN + 1, 55.0)])
        assert (store.count(), forward.counts.repeats) == (51, 3)
        store.close()


def test_what_the_far_store_drops_without_a_word_stays_in_the_spool_and_is_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with running(retention="1d") as victoria:
        store = opened(victoria.fresh(), tmp_path)
        old = [Reading(SENSOR, Millis(BEGAN - 3000 * DAY + n), 50.0 + n, BEGAN) for n in range(5)]
        store.append(old)
        forward = forwarder(store)
        settle(forward, victoria)
        assert forward.backlog()["refused"] == 5
        assert "readings_store=drops" in caplog.text
        assert _read(store) == rows(old)
        store.close()


def test_a_reading_two_days_ahead_is_refused_in_words(victoria: Victoria, tmp_path: Path) -> None:
    store = opened(victoria.fresh(), tmp_path, clock_ms=lambda: BEGAN)
    store.append([Reading(SENSOR, Millis(BEGAN + 2 * DAY - 2 * HOUR), 50.0, BEGAN)])
    with pytest.raises(StorageError, match="more than two days ahead") as caught:
        store.append([Reading(SENSOR, Millis(BEGAN + 2 * DAY), 50.0, BEGAN)])
    assert not isinstance(caught.value, StoreBusy), "the writer puts it into quarantine"
    store.close()


def test_one_of_two_forwarders_works_and_the_other_takes_over_when_its_lease_has_run_out(
    victoria: Victoria, tmp_path: Path
) -> None:
    store = opened(victoria.fresh(), tmp_path)
    now = [1_000_000]
    first, second = (ForwardLoop(store, now_ms=lambda: now[0]) for _ in range(2))
    assert (first._may_work(), second._may_work(), first._may_work()) == (True, False, True)
    now[0] += 15_001
    assert (second._may_work(), first._may_work()) == (True, False)
    store.close()


def test_the_loop_empties_the_spool_and_ends_when_it_is_told(victoria: Victoria, tmp_path: Path) -> None:
    store = opened(victoria.fresh(), tmp_path)
    store.append(some(1000))
    forward = ForwardLoop(store, pace=ForwardPace(horizon_ms=50, poll_s=0.02, tries=1_000_000))
    stop, beats = threading.Event(), [0]

    def beat() -> None:
        beats[0] += 1

    thread = threading.Thread(target=forward.run, args=(stop, beat))
    thread.start()
    try:

        def empty() -> bool:
            victoria.flush()
            return sum(forward.backlog().values()) == 0

        until(empty, PATIENCE_S, "an empty spool")
    finally:
        stop.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()
    assert beats[0] > 0
    store.close()
