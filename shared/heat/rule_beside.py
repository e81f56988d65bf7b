"""What stands beside a rule's verdict: the other sensor, and the same without the word "contiguous"."""

from __future__ import annotations

from typing import Any

from shared.heat.report import RuleReading


def beside(rule: RuleReading) -> list[str]:
    """Sentences; instants as ISO 8601 UTC are written ``2026-06-04 12:51 UTC``."""
    lines = []
    other = "hottest" if rule.need.get("sensor") == "coldest" else "coldest"
    figures = rule.have.get(other)
    if isinstance(figures, dict):
        lines.append(f"Asked of the {other} sensor instead: {_figures(figures)}.")
    loose = rule.have.get("if_not_contiguous")
    if isinstance(loose, dict) and rule.status != "met":
        lines.append(f"Were the time added up instead of asked in one stretch: {_reached(loose)}.")
    return lines


def _figures(have: dict[str, Any]) -> str:
    parts = []
    if (hours := have.get("hours_in_all")) is not None:
        parts.append(f"{_floor(hours)} h at {have['at_least_c']:g} °C or more in all")
        parts.append(f"{_floor(have['longest_stretch_hours'])} h in the longest stretch")
    if (turns := have.get("turns")) is not None:
        parts.append(f"{turns} of {have['turns_recorded']} recorded turns count")
    return ", ".join([*parts, _reached(have)])


def _reached(have: dict[str, Any]) -> str:
    at = have.get("met_at")
    return "not reached" if at is None else f"reached at {at[:10]} {at[11:16]} UTC"


def _floor(hours: float) -> str:
    """Never more than is there."""
    return f"{int(hours * 100) / 100:.8g}"
