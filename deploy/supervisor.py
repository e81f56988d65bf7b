"""Keeps the loops running, knows whether each is well, and leaves their heartbeats in the registry."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from api.parts import LoopState
from shared.loops import BEATS, Loop, counts_of
from shared.ports import Registry, StorageError
from shared.times import Clock

log = logging.getLogger(__name__)

DEAF_AFTER_S = 20.0  # a loop beats at least every 5 s; four missed beats are a stop
HEARTBEAT_EVERY_S = 10.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 30.0


@dataclass
class _Run:
    loop: Loop
    thread: threading.Thread | None = None
    last_beat: float | None = None
    error: str = ""
    said: str = field(default="", repr=False)


class Supervisor:
    """Start every loop in a thread of its own; start one that fell over again after a growing pause.

    ``comforts`` are kept running too, but nobody is alarmed when one is not well: it only spares people waiting.
    """

    def __init__(
        self, loops: Sequence[Loop], registry: Registry, clock: Clock, *, comforts: Sequence[Loop] = ()
    ) -> None:
        self._runs = {loop.name: _Run(loop) for loop in (*loops, *comforts)}
        self._comforts = {loop.name for loop in comforts}
        self._registry, self._clock = registry, clock
        self._stop = threading.Event()
        self._heart = threading.Thread(target=self._heartbeats, name="heartbeats", daemon=True)

    def start(self) -> None:
        for run in self._runs.values():
            run.thread = threading.Thread(target=self._keep, args=(run,), name=run.loop.name, daemon=True)
            run.thread.start()
        self._heart.start()

    def stop(self, patience_s: float = 20.0) -> None:
        """Ask every loop to finish what it began, and wait for it at most ``patience_s``."""
        self._stop.set()
        deadline = time.monotonic() + patience_s
        for run in self._runs.values():
            if run.thread is not None:
                run.thread.join(max(0.0, deadline - time.monotonic()))
                if run.thread.is_alive():
                    log.warning("loop=%s event=did_not_stop", run.loop.name)
        self._heart.join(5.0)

    def states(self) -> Mapping[str, LoopState]:
        now = time.monotonic()
        return {name: self._state(run, now) for name, run in self._runs.items() if name not in self._comforts}

    @staticmethod
    def _state(run: _Run, now: float) -> LoopState:
        since = None if run.last_beat is None else now - run.last_beat
        alive = since is not None and since < DEAF_AFTER_S and not run.error
        return LoopState(alive=alive, last_beat_s=since, error=run.error, counts=counts_of(run.loop))

    def _keep(self, run: _Run) -> None:
        pause = FIRST_PAUSE_S

        def beat() -> None:
            run.last_beat = time.monotonic()
            if run.error:
                log.info("loop=%s event=back", run.loop.name)
                run.error = run.said = ""

        while not self._stop.is_set():
            began = time.monotonic()
            try:
                run.loop.run(self._stop, beat)
                if self._stop.is_set():
                    return
                run.error = "ended by itself"
            except Exception as error:  # the one broad catch: what fell over is started again
                run.error = f"{type(error).__name__}: {error}"
                if run.error != run.said:
                    log.exception("loop=%s event=fell_over", run.loop.name)
            run.said = run.error
            if time.monotonic() - began > 2 * LONGEST_PAUSE_S:
                pause = FIRST_PAUSE_S
            self._stop.wait(pause)
            pause = min(LONGEST_PAUSE_S, pause * 2)

    def _heartbeats(self) -> None:
        while not self._stop.wait(HEARTBEAT_EVERY_S):
            now = self._clock.now()
            for name, state in self.states().items():
                if state.alive:
                    try:
                        self._registry.memory.set(f"{BEATS}{name}", str(now))
                    except StorageError as error:
                        log.warning("loop=%s event=heartbeat_not_stored error=%s", name, error)


@dataclass
class CallbackLoop:
    """A loop that does one small thing every ``every_s`` seconds."""

    name: str
    every_s: float
    step: Callable[[], None]

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        while not stop.is_set():
            self.step()
            beat()
            stop.wait(self.every_s)
