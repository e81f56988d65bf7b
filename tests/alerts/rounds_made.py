"""Piles that fall due at one time, and a yard with a night."""

from __future__ import annotations

from shared.settings import Settings
from tests.alerts.watched import Yard

NIGHT = Settings.model_validate(
    {"quiet_hours": {"from": "22:00", "to": "06:30"}, "web": {"public_url": "https://yard.example"}}
)


def piles_due(yard: Yard, *pegs: str) -> None:
    for peg in pegs:
        yard.is_so(yard.pile(peg), state="due", load=1.0, due_at=yard.now)
