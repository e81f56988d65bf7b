"""The JSON API, version 1: one file per noun."""

from __future__ import annotations

from fastapi import APIRouter

from api.v1 import (
    accounts,
    audit,
    batches,
    builds,
    catalogue,
    channels,
    episodes,
    field_log,
    heat,
    mix,
    notices,
    people,
    piles,
    placements,
    probes,
    quarantine,
    readings,
    round,  # noqa: A004 - the noun of this API
    sites,
    subscriptions,
    tokens,
    vitals,
)

ROUTERS: tuple[APIRouter, ...] = tuple(
    noun.router
    for noun in (
        sites, piles, builds, batches, field_log, heat, readings, placements, probes, vitals, round, episodes, notices,
        people, channels, subscriptions, catalogue, mix, quarantine, tokens,
        accounts, audit,
    )
)  # fmt: skip
