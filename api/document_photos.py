"""The pictures of the field log, on the batch record."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.document_words import Words
from shared.piles import FieldNote
from shared.ports import NotFound, Registry

if TYPE_CHECKING:
    from api.documents import Setting

PHOTOS_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Photo:
    note: FieldNote
    jpeg: bytes


def photos_of(registry: Registry, notes: Iterable[FieldNote]) -> list[Photo]:
    """By time; a note whose picture never came is passed over."""
    found = []
    for note in sorted(notes, key=lambda note: (note.at, note.id)):
        if note.kind == "photo":
            try:
                found.append(Photo(note, registry.piles.photo(note.id)))
            except NotFound:
                continue
    return found


def photo_data(photos: Sequence[Photo], setting: Setting) -> dict[str, Any]:
    """What the sheet says under each of the last ``PHOTOS_SHOWN``."""
    words = Words(setting)
    many = f" The last {PHOTOS_SHOWN} of {len(photos)}." if len(photos) > PHOTOS_SHOWN else ""
    return {
        "photos": [
            "; ".join(part for part in (words.time(one.note.at), one.note.text, one.note.by) if part)
            + f". SHA-256 {hashlib.sha256(one.jpeg).hexdigest()}"
            for one in photos[-PHOTOS_SHOWN:]
        ],
        "photos_words": f"Kept smaller than they were taken, and without their place.{many}",
    }
