"""Numbers and names as probes write them, made ours or refused."""

from __future__ import annotations

import math
import re
from functools import lru_cache

from ingest.decoded import DecodeError
from ingest.screening import mark_of, time_trouble
from ingest.topics import Origin
from shared.readings import ArrivalMark, Quantity, Reading, SensorKey, canonical_depth
from shared.times import Millis

_DEPTH = re.compile(r"[0-9]{1,6}(\.[0-9]{1,3})?|[A-Za-z][A-Za-z0-9_-]{0,31}")


class Refused(ValueError):
    """One value of a message that cannot be used; the text says why."""


def number(value: object) -> float:
    """A finite float; raise Refused for what is no number (truth values among them) or too large to be one."""
    if type(value) is float and -math.inf < value < math.inf:
        return value
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Refused(f"its value is {_kind(value)}, not a number")
    try:
        result = float(value)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise Refused("its value is not a finite number")
    return result


def _kind(value: object) -> str:
    names = {bool: "true or false", str: "text", type(None): "missing", list: "a list", dict: "an object"}
    return names.get(type(value), "something else")


@lru_cache(maxsize=131_072)
def sensor(origin: Origin, depth: str, quantity: Quantity) -> SensorKey:
    """The key of a depth in cm (``45``, ``7.5``) or a level (``middle``); raise Refused for anything else.

    An empty depth is the probe itself (battery, signal).
    """
    if depth and not _DEPTH.fullmatch(depth):
        raise Refused(f"{printable(depth)} is neither a depth in cm nor a level")
    return SensorKey(origin.site, origin.probe, canonical_depth(depth) if depth else "", quantity)


def reading(
    key: SensorKey, at: int, value: float, received_at: Millis, mark: ArrivalMark = ArrivalMark.NONE
) -> Reading:
    """A reading with its arrival marks; raise Refused when its time cannot be believed."""
    trouble = time_trouble(at, received_at)
    if trouble:
        raise Refused(trouble)
    of_value = mark_of(key.quantity, value)
    return Reading(key, Millis(at), value, received_at, mark | of_value if mark else of_value)


def printable(text: object, longest: int = 60) -> str:
    """Text of a stranger's, fit for a reason: ASCII, short."""
    safe = str(text).encode("ascii", "backslashreplace").decode("ascii")
    safe = "".join(letter if letter.isprintable() else "?" for letter in safe)
    return safe if len(safe) <= longest else safe[: longest - 3] + "..."


def nothing_used(refused: list[str], otherwise: str) -> DecodeError:
    """The error of a message of which not one value can be used."""
    if not refused:
        return DecodeError(otherwise)
    more = f" (and {len(refused) - 1} more)" if len(refused) > 1 else ""
    return DecodeError(refused[0] + more)
