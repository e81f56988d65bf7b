"""What a decoder hands over, and how it says no."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest.topics import Origin
from shared.readings import Reading
from shared.times import Millis


class DecodeError(ValueError):
    """Nothing of this message can be used; the text says why, in words for the quarantine page."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """``readings`` can be stored. ``refused`` says, one line each, what of the message could not be used: the good
    part of a message is kept, and the message as a whole goes to the quarantine beside it."""

    readings: Sequence[Reading]
    refused: Sequence[str] = ()

    def reason(self) -> str:
        shown = "; ".join(self.refused[:3])
        more = f"; and {len(self.refused) - 3} more" if len(self.refused) > 3 else ""
        return f"{len(self.refused)} not used, {len(self.readings)} kept: {shown}{more}"


Decode = Callable[[Origin, bytes, Millis], Decoded | None]
"""Pure. None = this message is not of my kind, ask the next decoder; DecodeError = it is, and cannot be used."""
