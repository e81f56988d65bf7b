"""Celsius, litres and hours inside; other units only where a person reads or types."""

from __future__ import annotations

from typing import Literal

Units = Literal["celsius", "fahrenheit"]

LITRES_PER_CUBIC_YARD = 764.554857984  # exact by the international yard of 0.9144 m
KG_PER_LB = 0.45359237  # exact by definition
KG_M3_PER_LB_YD3 = KG_PER_LB / 0.764554857984  # 1 000 lb/cu yd = 593.3 kg/m3


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def fahrenheit(celsius_: float) -> float:
    return celsius_ * 1.8 + 32.0


def temperature_text(celsius_: float | None, units: Units = "celsius") -> str:
    """One decimal and the unit, ``66.8 °C``; unknown is an en dash, never 0."""
    if celsius_ is None:
        return "–"
    return f"{fahrenheit(celsius_):.1f} °F" if units == "fahrenheit" else f"{celsius_:.1f} °C"


def threshold_text(celsius_: float, units: Units = "celsius") -> str:
    """A round figure: ``55 °C``."""
    return f"{fahrenheit(celsius_):.0f} °F" if units == "fahrenheit" else f"{celsius_:g} °C"
