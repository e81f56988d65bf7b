"""What the pages and the API are made of; deploy hands it over."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, cast

from fastapi import Depends, Request

from api.auth_reach import CallersRegistry
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.ports import ReadingsStore, Registry
from shared.settings import Settings
from shared.times import Clock, SystemClock


@dataclass(frozen=True, slots=True)
class LoopState:
    alive: bool
    last_beat_s: float | None  # seconds since, by the machine's clock
    error: str = ""
    counts: Mapping[str, int] = field(default_factory=dict)  # since the process started


def _no_loops() -> Mapping[str, LoopState]:
    return {}


def _no_test_send(channel_id: str) -> str:
    return f"this process cannot send; channel {channel_id} was not tried"


@dataclass(frozen=True, slots=True)
class Parts:
    registry: Registry
    readings: ReadingsStore
    book: HeatBook
    catalogue: Catalogue
    settings: Settings
    data_dir: Path
    clock: Clock = field(default_factory=SystemClock)
    loops: Callable[[], Mapping[str, LoopState]] = _no_loops
    test_send: Callable[[str], str] = _no_test_send  # channel id -> "" when it was accepted, else why not
    open_door: bool = False  # the demo: everyone is a manager, and every page says so
    demo_speed: float | None = None  # the demo clock's factor, shown on every page


async def parts_of(request: Request) -> Parts:
    """The parts as this request's caller may use them."""
    parts: Parts = request.app.state.parts
    return replace(parts, registry=cast(Registry, CallersRegistry(parts.registry, request)))


PartsHere = Annotated[Parts, Depends(parts_of)]
"""A route's parameter that receives the Parts."""
