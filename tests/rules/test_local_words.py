"""Report sentences as a person reads them."""

from __future__ import annotations

import pytest

from shared.local_words import local_words


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("over 65 °C at 2026-06-04 12:51 UTC", "over 149 °F at 2026-06-04 13:51"),
        ("within 55-76.7 °C", "within 131-170.1 °F"),
        ("core 66.8 °C, 2 K under", "core 152.2 °F, 2 K under"),
        ("72 h of 360 h", "72 h of 360 h"),
        ("at 2026-12-31 23:30 UTC", "at 2026-12-31 23:30"),
    ],
)
def test_instants_and_degrees_are_put_into_zone_and_units(sentence: str, said: str) -> None:
    assert local_words(sentence, "Europe/Dublin", "fahrenheit") == said


def test_celsius_stays_celsius() -> None:
    assert local_words("over 65 °C", "UTC", "celsius") == "over 65 °C"
