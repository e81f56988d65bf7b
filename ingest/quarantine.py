"""Trying quarantined messages again, after a decoder or a mapping has been mended or a clock put right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingest.decoded import Decoded, DecodeError
from ingest.decoders import Decoders
from ingest.topics import Origin
from ingest.upkeep import Upkeep
from shared.ports import Quarantined, ReadingsStore, Registry
from shared.readings import ArrivalMark
from shared.settings import Settings
from shared.times import Clock, Millis


@dataclass(frozen=True, slots=True)
class Replayed:
    """``freed`` messages left the quarantine; ``still`` says of each that stays why, by id."""

    freed: int
    stored: int  # readings that were not there yet
    still: dict[int, str]


def replay(
    registry: Registry,
    readings: ReadingsStore,
    settings: Settings,
    clock: Clock,
    ids: Sequence[int] | None = None,
) -> Replayed:
    """Decode again as of the time of receipt, store what can be used, and free what can be used wholly.

    ``ids`` None = every message. A time that was ahead of the server's clock at receipt and is past by now is believed:
    then it was the server's clock that was wrong. Raises StorageError, and then a message
    is still in quarantine unless its readings are stored; SettingsError for a mapping that cannot be used.
    """
    decoders = Decoders(settings.decoders)
    upkeep = Upkeep()
    now = clock.now()
    freed, stored, still = 0, 0, dict[int, str]()
    for message in list(_chosen(registry, ids)):
        if message.size > len(message.payload):
            still[message.id] = f"only {len(message.payload)} of its {message.size} bytes were kept"
            continue
        try:
            decoded = _decode(decoders, message, now)
        except DecodeError as error:
            still[message.id] = str(error)
            continue
        stored += readings.append(decoded.readings).stored
        key = decoded.readings[0].sensor
        upkeep.message(Origin(key.site, key.probe), decoded.readings, message.received_at, retained=True)
        if decoded.refused:
            still[message.id] = decoded.reason()
        else:
            registry.quarantine.remove([message.id])
            freed += 1
    while len(upkeep):
        upkeep.flush(registry)
    return Replayed(freed, stored, still)


def _decode(decoders: Decoders, message: Quarantined, now: Millis) -> Decoded:
    """As of its receipt; and what that leaves, as of now, but for readings whose time leans on the receipt."""
    at_receipt: Decoded | None = None
    try:
        at_receipt = decoders.decode(message.topic, message.payload, message.received_at)
        if not at_receipt.refused:
            return at_receipt
        as_of_now = decoders.decode(message.topic, message.payload, max(now, message.received_at))
    except DecodeError:
        if at_receipt is not None:
            return at_receipt
        as_of_now = decoders.decode(message.topic, message.payload, max(now, message.received_at))
    timed = [one for one in as_of_now.readings if not one.mark & ArrivalMark.NO_TIME]
    if at_receipt is None and len(timed) < len(as_of_now.readings):
        raise DecodeError("it has no time of its own, and cannot be used as of its receipt")
    known = {(one.sensor, one.at): one for one in (at_receipt.readings if at_receipt else ())}
    for one in timed:
        known.setdefault((one.sensor, one.at), one._replace(received_at=message.received_at))
    return Decoded(list(known.values()), as_of_now.refused)


def _chosen(registry: Registry, ids: Sequence[int] | None) -> Iterator[Quarantined]:
    """Oldest first."""
    if ids is not None:
        for one in sorted(set(ids)):
            yield from (
                found for found in registry.quarantine.all(before=one + 1, limit=1) if found.id == one
            )
        return
    pages: list[Quarantined] = []
    before: int | None = None
    while page := registry.quarantine.all(before=before, limit=500):
        pages += page
        before = page[-1].id
    yield from reversed(pages)
