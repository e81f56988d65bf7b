"""A short walk of the API fuzzer; `python -m tests.security.fuzz_api` is the long one."""

from __future__ import annotations

from tests.api.conftest import House
from tests.api.test_hostile import furnish
from tests.security.fuzz_api import fuzz


def test_drawn_requests_meet_only_what_the_description_knows(house: House) -> None:
    furnish(house)
    met = fuzz(house, house.tokens["manager"], 3)
    assert met[200] + met[201] > 20


def test_drawn_requests_of_nobody_open_nothing(house: House) -> None:
    furnish(house)
    before = house.parts.registry.version()
    met = fuzz(house, None, 1)
    assert set(met) <= {200, 401, 405, 413, 422, 429, 503}, met
    assert met[401] > 50
    assert house.parts.registry.version() == before
