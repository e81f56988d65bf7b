"""Do what is asked once, however often it is asked with the same key."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable

from fastapi.responses import Response
from pydantic import BaseModel

from api.problems import Fault, ProblemError
from shared.ports import Registry
from shared.times import Millis

REPLAYED = "Idempotent-Replayed"


def once(
    registry: Registry,
    key: str | None,
    scope: str,
    asked: BaseModel,
    now: Millis,
    shown: BaseModel,
    keep: Callable[[Registry], None],
) -> Response:
    """Run ``keep`` and answer ``shown``; a key that was used before gets the answer of then, and nothing is kept.

    The key and what it stands for commit together, so a crash between them cannot lose or double anything.
    ProblemError 422 when the key was used for another body.
    """
    body = shown.model_dump_json()
    with registry.begin() as tx:
        if key is not None:
            digest = hashlib.sha256(asked.model_dump_json().encode()).hexdigest()
            held = tx.memory.remember(key, scope, json.dumps({"asked": digest, "answer": body}), now)
            if held is not None:
                return _replayed(json.loads(held), digest)
        keep(tx)
    return Response(body, 201, media_type="application/json")


def _replayed(held: dict[str, str], digest: str) -> Response:
    if held["asked"] != digest:
        why = "this key was used before for another body"
        raise ProblemError(
            422, f"Idempotency-Key: {why}.", errors=[Fault(where="header.Idempotency-Key", detail=why)]
        )
    return Response(held["answer"], 201, media_type="application/json", headers={REPLAYED: "true"})
