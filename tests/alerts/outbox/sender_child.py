"""A sender in a process of its own that can be made to stand still at one step, to be killed there.

At its step it prints ``at STEP`` and waits for the end; with the step ``-`` it works until its input closes. The steps
are wrapped around the parts from outside: the sender itself knows nothing of them.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from alerts.channels.port import Parcel, Sender
from alerts.channels.webhook import WebhookSender
from alerts.outbox import SendLoop
from alerts.outbox_pace import Pace
from shared.notices import Notice
from shared.people import ChannelKind
from shared.ports import Registry
from shared.settings import Settings
from shared.stores import open_registry
from shared.times import Millis, SystemClock
from tests.alerts.outbox.yard import BOOK

STEPS = ("before_claim", "after_claim", "before_send", "after_send", "before_mark", "after_mark")
PACE = replace(Pace(), poll_s=0.01, first_wait_s=0.05, longest_wait_s=0.5)


def stand_still(step: str) -> None:
    sys.stdout.write(f"at {step}\n")
    sys.stdout.flush()
    threading.Event().wait(60.0)


class Notices:
    """The registry's notices with a place to stand still."""

    def __init__(self, inner: Any, step: str) -> None:
        self._inner, self._step = inner, step
        self.marked = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def claim(self, now: Millis, lease_ms: int, limit: int) -> list[Notice]:
        if self._step == "before_claim":
            stand_still(self._step)
        claimed: list[Notice] = self._inner.claim(now, lease_ms, limit)
        if claimed and self._step == "after_claim":
            stand_still(self._step)
        return claimed

    def change(self, notice_id: str, **fields: Any) -> Notice:
        marks = fields.get("state") == "sent"
        if marks and self._step == "before_mark":
            stand_still(self._step)
        self.marked = self.marked or marks
        changed: Notice = self._inner.change(notice_id, **fields)
        return changed


class Stopping:
    """A channel's sender with a place to stand still before and after."""

    def __init__(self, inner: Sender, step: str) -> None:
        self._inner, self._step = inner, step

    def send(self, parcel: Parcel) -> None:
        if self._step == "before_send":
            stand_still(self._step)
        self._inner.send(parcel)
        if self._step == "after_send":
            stand_still(self._step)


def standing_after_commit(
    registry: Registry, notices: Notices
) -> Callable[[], AbstractContextManager[Registry]]:
    begin = registry.begin

    @contextmanager
    def standing() -> Iterator[Registry]:
        with begin() as tx:
            yield tx
        if notices.marked:
            stand_still("after_mark")

    return standing


def main(registry_path: Path, step: str, lease_s: float) -> None:
    registry = open_registry(registry_path)
    registry.notices = notices = Notices(registry.notices, step)
    if step == "after_mark":
        registry.begin = standing_after_commit(registry, notices)  # type: ignore[method-assign]
    settings = Settings.model_validate({"web": {"allow_private_webhooks": True}})
    senders: dict[ChannelKind, Sender] = {"webhook": Stopping(WebhookSender(settings), step)}
    stop = threading.Event()
    loop = SendLoop(
        registry, BOOK, settings, SystemClock(), pace=replace(PACE, lease_s=lease_s), senders=senders
    )
    thread = threading.Thread(target=loop.run, args=(stop, lambda: None))
    thread.start()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    sys.stdin.read()
    stop.set()
    thread.join()
    registry.close()
