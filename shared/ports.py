"""What a readings store and a registry must do. Adapters live in ``shared.stores``; deploy picks them.

Calling contract, for every method here:
- Safe to call from several threads. Blocking; returns only once the effect is durable (committed and synced).
- A failure of the store is a StorageError (``StoreBusy`` when trying again later can help); nothing else escapes.
- ``Unknown id`` is NotFound; a broken uniqueness is Conflict. Both are StorageErrors of the caller's making.
- Instants are Millis; lists come in the order the method names.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

from shared.piles import FieldNote, Pile, Placement, Site, Turn
from shared.ports_access import Access, Accounts, Audit
from shared.ports_people import Episodes, Notices, People
from shared.probes import Calibration, Probe
from shared.readings import Curve, Reading, SensorKey
from shared.times import Millis, Span


class StorageError(Exception):
    """The store could not do it."""


class StoreBusy(StorageError):
    """Locked, full or out of reach for now: keep what you have and try again."""


class NotFound(StorageError):
    pass


class Conflict(StorageError):
    """It exists already, or something else stands in its way; the text says what."""


@dataclass(frozen=True, slots=True)
class Appended:
    """How a batch fell out: new rows, exact repeats, and repeats with another value (by probe)."""

    stored: int
    repeats: Mapping[tuple[str, str], int] = field(default_factory=dict)
    differing: Mapping[tuple[str, str], int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Changes:
    """All sensors with new (or withdrawn) readings after a cursor, each with its earliest changed instant.

    ``complete`` False = the cursor is older than the log reaches: read everything anew.
    """

    cursor: int
    earliest: Mapping[SensorKey, Millis]
    complete: bool = True


@dataclass(frozen=True, slots=True)
class SensorSummary:
    sensor: SensorKey
    first_at: Millis
    last_at: Millis
    last_value: float
    count: int


class ReadingsStore(Protocol):
    """(sensor, at) is the key; the first value stays."""

    def append(self, batch: Sequence[Reading]) -> Appended: ...
    def read(self, sensor: SensorKey, span: Span) -> Curve:
        """Ascending; an unknown sensor gives an empty curve."""

    def read_many(self, sensors: Iterable[SensorKey], span: Span) -> dict[SensorKey, Curve]:
        """What ``read`` gives for each, with fewer questions to the store."""

    def sensors(self, site: str | None = None, probe: str | None = None) -> list[SensorSummary]:
        """By site, probe, quantity, depth."""

    def changes_since(self, cursor: int) -> Changes:
        """Cursor 0 = from the beginning."""

    def withdraw(self, readings: Iterable[tuple[SensorKey, Millis]]) -> int:
        """Take back readings (undo of an import); gives how many there were."""

    def thinned(self) -> Mapping[str, int]:
        """How many readings of each pile were thinned away here. A far store thins by its own means and does not say."""

    def count(self) -> int: ...
    def ping(self) -> None:
        """Raise StorageError unless a write would work now."""

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Quarantined:
    id: int
    received_at: Millis
    topic: str
    reason: str
    payload: bytes  # whole up to 64 KiB (larger ones could not be used anyway), else the first 4 KiB
    size: int  # of the whole


class Refused(NamedTuple):
    """A message that could not be used, on its way to the quarantine."""

    received_at: Millis
    topic: str
    reason: str
    payload: bytes


class Sites(Protocol):
    def add(self, site: Site) -> None: ...
    def get(self, slug: str) -> Site: ...
    def all(self) -> list[Site]:
        """By slug."""


class Piles(Protocol):
    def add(self, pile: Pile) -> None:
        """Conflict when the peg is in use by an open pile of the site, NotFound when there is no such site."""

    def get(self, pile_id: str) -> Pile: ...
    def by_peg(self, site: str, peg: str) -> Pile | None:
        """The open pile of that peg, else the one finished last."""

    def all(self, *, site: str | None = None, open_only: bool = False) -> list[Pile]:
        """By site, peg, built_at."""

    def change(self, pile_id: str, **fields: Any) -> Pile:
        """Set the named fields of Pile."""

    def add_turn(self, turn: Turn) -> None: ...
    def change_turn(self, turn_id: str, **fields: Any) -> Turn: ...
    def turns(self, pile_id: str) -> list[Turn]:
        """By time."""

    def turns_of(self, pile_ids: Iterable[str]) -> dict[str, list[Turn]]:
        """What ``turns`` gives for each, with fewer questions to the store."""

    def add_note(self, note: FieldNote) -> None: ...
    def notes(self, pile_id: str) -> list[FieldNote]:
        """By time."""

    def notes_of(self, pile_ids: Iterable[str]) -> dict[str, list[FieldNote]]:
        """As ``turns_of``."""

    def save_photo(self, note_id: str, jpeg: bytes) -> None: ...
    def photo(self, note_id: str) -> bytes: ...


class Probes(Protocol):
    """Probes and where they are."""

    def add(self, probe: Probe) -> None:
        """One that has not been heard yet; Conflict when the site has a probe of that name."""

    def heard(self, site: str, name: str, at: Millis, figures: Mapping[str, Any]) -> Probe:
        """Upsert: create if new; last_heard_at never goes back; ``figures`` sets named fields of Probe
        (``repeats`` and ``differing_repeats`` are added, the rest replaced)."""

    def get(self, probe_id: str) -> Probe: ...
    def named(self, site: str, name: str) -> Probe | None: ...
    def named_many(self, names: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Probe]:
        """By site and name, with fewer questions to the store; one that is not there is left out."""

    def all(self, site: str | None = None) -> list[Probe]:
        """By site, name."""

    def change(self, probe_id: str, **fields: Any) -> Probe: ...
    def place(self, placement: Placement) -> None:
        """Conflict when the probe is elsewhere at any instant of the span."""

    def change_placement(self, placement_id: str, **fields: Any) -> Placement:
        """Fields of Placement; ``span`` whole."""

    def placement(self, placement_id: str) -> Placement: ...
    def delete_placement(self, placement_id: str) -> None:
        """As if it had never been; what the probe sent meanwhile waits under the unplaced probes again."""

    def placements(
        self, *, pile_id: str | None = None, site: str | None = None, probe: str | None = None
    ) -> list[Placement]:
        """By start."""

    def calibrate(self, calibration: Calibration) -> None: ...
    def calibrations(self, site: str | None = None, probe: str | None = None) -> list[Calibration]:
        """By valid_from."""


class Quarantine(Protocol):
    def put(self, received_at: Millis, topic: str, reason: str, payload: bytes) -> None:
        """Keeps up to 64 KiB whole, and of a larger one the first 4 KiB."""

    def put_all(self, messages: Sequence[Refused]) -> None:
        """All or none."""

    def all(self, *, before: int | None = None, limit: int = 100) -> list[Quarantined]:
        """Newest first."""

    def remove(self, ids: Sequence[int]) -> None: ...
    def prune(self, *, older_than: Millis, keep_at_most: int, keep_bytes: int | None = None) -> int:
        """The oldest go: those received before ``older_than``, and those beyond so many messages or bytes."""


class Memory(Protocol):
    """Small named facts that must outlive a restart: cursors, heartbeats, secrets made once, idempotency keys."""

    def get(self, name: str) -> str | None: ...
    def set(self, name: str, value: str) -> None: ...
    def set_once(self, name: str, value: str) -> str:
        """Set unless there; gives what stands there now."""

    def remember(self, key: str, scope: str, answer: str, at: Millis) -> str | None:
        """Idempotency: None when (scope, key) is new and now holds ``answer``; else the answer it held."""

    def forget_answers(self, before: Millis) -> int:
        """Drop what ``remember`` holds from before that; gives how many."""

    def names(self, prefix: str) -> dict[str, str]: ...


class Registry(Protocol):
    """Everything that is not a reading. ``with registry.begin() as tx``: all or nothing, ``tx`` is a Registry."""

    sites: Sites
    piles: Piles
    probes: Probes
    people: People
    episodes: Episodes
    notices: Notices
    quarantine: Quarantine
    access: Access
    accounts: Accounts
    audit: Audit
    memory: Memory

    def begin(self) -> AbstractContextManager[Registry]: ...
    def version(self) -> int:
        """Grows with every committed write to a site, pile, turn, note, probe placement or calibration.
        A reader that saw the same version before need not read those again."""

    def ping(self) -> None: ...
    def close(self) -> None: ...
