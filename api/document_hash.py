"""The hash on the batch record: what it covers, so that anybody can work it out again."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from shared.piles import FieldNote, Pile, Turn
from shared.times import Millis, iso

if TYPE_CHECKING:
    from shared.heat_book import PileHistory

HASH_WORDS = (
    "The hash below is the SHA-256 of lines of UTF-8 text, each ended by a line feed. First one for each reading: probe, "
    "depth, time (ISO 8601 UTC) and °C as stored after calibration, divided by commas; sensors in order of probe and "
    "depth, each in order of time. Then one line of JSON (keys in order, no spaces, instants in ms UTC) for the pile with "
    "its mix, for each turn and for each note of the field log, these by time and id."
)


def data_hash(history: PileHistory) -> str:
    digest = hashlib.sha256()
    for sensor in sorted(
        history.sensors, key=lambda one: (one.key.probe, one.key.depth, one.placement.span.start)
    ):
        where = f"{sensor.key.probe},{sensor.key.depth}"
        for at, celsius in zip(sensor.at.tolist(), sensor.celsius.tolist(), strict=True):
            digest.update(f"{where},{iso(Millis(at))},{celsius!r}\n".encode())
    turns = sorted(history.turns, key=lambda one: (one.at, one.id))
    notes = sorted(history.notes, key=lambda one: (one.at, one.id))
    facts: list[Pile | Turn | FieldNote] = [history.pile, *turns, *notes]
    for fact in facts:
        line = json.dumps(asdict(fact), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        digest.update(f"{line}\n".encode())
    return digest.hexdigest()
