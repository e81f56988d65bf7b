"""JSON without its loopholes: no NaN, no doubled names, no bytes outside UTF-8, no bottomless nesting."""

from __future__ import annotations

import json
from typing import Any, NoReturn

from ingest.decoded import DecodeError


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) != len(pairs):
        raise DecodeError("the JSON has the same name twice in one object")
    return result


def _constant(name: str) -> NoReturn:
    raise DecodeError(f"the JSON has {name}, which is not a number")


_DECODER = json.JSONDecoder(object_pairs_hook=_object, parse_constant=_constant)


def loads(payload: bytes) -> Any:
    """Parse, or raise DecodeError with a reason."""
    try:
        return _DECODER.decode(payload.decode("utf-8"))
    except UnicodeDecodeError:
        raise DecodeError("the payload is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise DecodeError(f"the payload is not JSON: {error.msg} at byte {error.pos}") from None
    except RecursionError:
        raise DecodeError("the JSON is nested too deep") from None
    except DecodeError:
        raise
    except ValueError:  # a whole number of thousands of digits
        raise DecodeError("the JSON has a number that is too long") from None
