"""A registry with people, channels and notices, and a sender that can be run, watched and stopped."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from alerts.channels.port import Parcel, Sender, SendError
from alerts.outbox import SendLoop
from alerts.outbox_pace import Pace
from shared.episodes import Episode, NoticeKind
from shared.notices import Notice
from shared.people import Channel, ChannelKind, Person, Subscription
from shared.piles import Pile, Site
from shared.ports import Registry
from shared.settings import Settings
from shared.stores import open_registry
from shared.times import HOUR, Clock, Millis, SystemClock

if TYPE_CHECKING:
    from shared.heat_book import HeatBook

QUICK = Pace(
    poll_s=0.01, lease_s=1.5, first_wait_s=0.02, longest_wait_s=0.3, urgent_wait_s=0.1, elsewhere_after_s=0.4
)
PATIENT = Pace(poll_s=0.01, lease_s=1.5, first_wait_s=0.02, longest_wait_s=0.3, elsewhere_after_s=3600)


class NoBook:
    """A book that knows no pile: every picture fails."""

    def history(self, pile_id: str) -> Any:
        raise LookupError(pile_id)

    def report(self, pile_id: str, now: Millis) -> Any:
        raise LookupError(pile_id)


BOOK = cast("HeatBook", NoBook())


class Recorder:
    """A sender of ours: notes every parcel, and does what ``answer`` says first."""

    def __init__(self, answer: Callable[[Parcel], object] | None = None) -> None:
        self.parcels: list[Parcel] = []
        self.answer = answer
        self._lock = threading.Lock()

    def send(self, parcel: Parcel) -> None:
        with self._lock:
            self.parcels.append(parcel)
        if self.answer is not None:
            self.answer(parcel)

    @property
    def ids(self) -> list[str]:
        return [parcel.notice.id for parcel in self.parcels]


def refuse(why: str = "it answered 500", **how: Any) -> Callable[[Parcel], None]:
    def answer(_parcel: Parcel) -> None:
        raise SendError(why, **how)

    return answer


def furnish(registry: Registry) -> None:
    """Larkfield Yard with two makers: Ada (two channels; escalates to Ben), Ben (one), Cem (one, wants everything)."""
    now = SystemClock().now()
    registry.sites.add(Site("larkfield", "Larkfield Yard", "Europe/Dublin"))
    registry.piles.add(Pile("pile-7", "larkfield", "K-07", Millis(now - 200 * HOUR)))
    for id_, name, next_ in (("ben", "Ben", None), ("ada", "Ada", "ben"), ("cem", "Cem", None)):
        registry.people.add(Person(id_, name, "Europe/Dublin", escalate_to=next_))
    for channel in (
        Channel("ada-mail", "ada", "email", "ada@yard.example"),
        Channel("ada-hook", "ada", "webhook", "https://ada.example/hook"),
        Channel("ben-mail", "ben", "email", "ben@yard.example"),
        Channel("cem-topic", "cem", "mqtt", "yard/cem"),
    ):
        registry.people.add_channel(channel)
    registry.people.subscribe(Subscription("s-cem", "cem", site="larkfield"))
    registry.episodes.put(episode())


def episode(id_: str = "e-1", kind: NoticeKind = "turn_due", **fields: Any) -> Episode:
    opened = Millis(SystemClock().now() - HOUR)
    plain = {"severity": "act", "state": "open", "opened_at": opened, "reason": "example", "subject": ""}
    return Episode(id=id_, kind=kind, site="larkfield", pile_id="pile-7", **{**plain, **fields})


def notice(id_: str = "n-1", channel: str = "ada-mail", person: str = "ada", **fields: Any) -> Notice:
    plain: dict[str, Any] = {
        "episode_id": "e-1",
        "kind": "turn_due",
        "severity": "act",
        "reason": "first",
        "at": SystemClock().now(),
        "title": "K-07 wants a turn now",
        "text": "K-07 wants a turn now.\nTurn 2 of 3.",
        "peg": "K-07",
        "site": "larkfield",
    }
    return Notice(id=id_, channel_id=channel, person_id=person, **{**plain, **fields})


@contextmanager
def yard(folder: Path) -> Iterator[Registry]:
    registry = open_registry(folder / "registry.db")
    try:
        furnish(registry)
        yield registry
    finally:
        registry.close()


def senders(**by_kind: Sender) -> Mapping[ChannelKind, Sender]:
    """Channels of the kinds not named accept everything."""
    kinds: tuple[ChannelKind, ...] = ("email", "webhook", "mqtt", "url")
    return {kind: by_kind.get(kind, Recorder()) for kind in kinds}


@contextmanager
def running(
    registry: Registry,
    by_kind: Mapping[ChannelKind, Sender] | None,
    *,
    pace: Pace = PATIENT,
    clock: Clock | None = None,
    settings: Settings | None = None,
    book: HeatBook = BOOK,
) -> Iterator[list[float]]:
    """A sender at work; gives the instants of its beats. What it raised is raised at the end."""
    loop = SendLoop(
        registry, book, settings or Settings(), clock or SystemClock(), pace=pace, senders=by_kind
    )
    stop, beats, raised = threading.Event(), [], []

    def work() -> None:
        try:
            loop.run(stop, lambda: beats.append(time.monotonic()))
        except Exception as error:  # noqa: BLE001 - handed to the test
            raised.append(error)

    thread = threading.Thread(target=work, name="send")
    thread.start()
    try:
        yield beats
    finally:
        stop.set()
        thread.join(30.0)
        assert not thread.is_alive(), "the sender did not stop"
    if raised:
        raise raised[0]


def until(true: Callable[[], object], within_s: float = 60.0) -> None:
    """Wait for it, with an end."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "it did not come to that in time"
        time.sleep(0.05)
