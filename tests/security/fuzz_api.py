"""The whole API as its own description says, with drawn requests: no fault of ours, and only answers that are described.

`python -m tests.security.fuzz_api [seconds]` runs the long form, with a manager's token and without one.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings

from tests.api.conftest import House, build_house, close_house

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import schemathesis
    from schemathesis.checks import not_a_server_error
    from schemathesis.specs.openapi.checks import (
        content_type_conformance,
        response_schema_conformance,
        status_code_conformance,
    )

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


def fuzz(house: House, token: str | None, examples: int, *, seed: int = 0) -> Counter[int]:
    """``examples`` requests for each operation; the answers by status. AssertionError names what was wrong."""
    schema = schemathesis.openapi.from_dict(house.app.openapi())
    schema.app = house.app
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    met: Counter[int] = Counter()
    for found in schema.get_all_operations():
        operation = found.ok()  # type: ignore[union-attr]  # an operation that cannot be read fails here
        _operation(operation, headers, examples, seed, met)
    return met


def _operation(operation: Any, headers: dict[str, str], examples: int, seed: int, met: Counter[int]) -> None:
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=seed == 0,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def one(case: Any) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            answer = case.call(headers=headers)
            met[answer.status_code] += 1
            case.validate_response(answer, checks=CHECKS)

    one()


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    from tests.api.test_hostile import furnish

    for who in ("manager", None):
        ends = time.monotonic() + seconds / 2
        met: Counter[int] = Counter()
        rounds = 0
        while time.monotonic() < ends:
            rounds += 1
            with tempfile.TemporaryDirectory() as folder:
                house = build_house(Path(folder))
                furnish(house)
                token = house.tokens["manager"] if who else None
                met += fuzz(house, token, 20, seed=random.randrange(1, 2**30))
                close_house(house)
        print(
            f"{who or 'nobody'}: {met.total()} requests in {rounds} rounds, answers {dict(sorted(met.items()))}"
        )


if __name__ == "__main__":
    main()
