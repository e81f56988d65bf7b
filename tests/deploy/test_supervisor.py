from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

from deploy.supervisor import Supervisor
from shared.stores import open_registry
from shared.times import SystemClock


class Steady:
    name = "steady"
    finished = False

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        while not stop.wait(0.01):
            beat()
        self.finished = True


class FallsOverOnce:
    name = "clumsy"

    def __init__(self) -> None:
        self.runs = 0

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        self.runs += 1
        if self.runs == 1:
            raise RuntimeError("tripped")
        while not stop.wait(0.01):
            beat()


def until(condition: Callable[[], bool], patience_s: float = 10.0) -> bool:
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.01)
    return False


def test_a_loop_that_fell_over_is_started_again_and_meanwhile_is_not_called_well(tmp_path: Path) -> None:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    loop = FallsOverOnce()
    supervisor = Supervisor([loop], registry, SystemClock())
    supervisor.start()
    assert until(lambda: supervisor.states()["clumsy"].error == "RuntimeError: tripped")
    assert not supervisor.states()["clumsy"].alive
    assert until(lambda: supervisor.states()["clumsy"].alive)
    supervisor.stop()
    registry.close()
    assert loop.runs == 2


def test_stopping_lets_a_loop_finish_what_it_began(tmp_path: Path) -> None:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    loop = Steady()
    supervisor = Supervisor([loop], registry, SystemClock())
    supervisor.start()
    assert until(lambda: supervisor.states()["steady"].alive)
    supervisor.stop()
    registry.close()
    assert loop.finished


def test_a_loop_that_never_beat_is_not_alive(tmp_path: Path) -> None:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    supervisor = Supervisor([Steady()], registry, SystemClock())
    state = supervisor.states()["steady"]
    registry.close()
    assert not state.alive
    assert state.last_beat_s is None
