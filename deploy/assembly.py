"""Puts the running parts together on the opened stores: loops, and what the pages need."""

from __future__ import annotations

from functools import partial

from alerts.channels import test_send
from alerts.outbox import SendLoop
from alerts.sharing import LeasedShare
from alerts.worker import WatchLoop
from api.pages.sparks import sparks_of
from api.parts import Parts
from deploy.arrival_piles import PilesByProbe
from deploy.house import House
from deploy.supervisor import Supervisor
from ingest.pipeline import IngestLoop
from shared.stores import ForwardLoop, LineReadings
from shared.warm_loop import WarmLoop


def ingest_loop(house: House, host: str, port: int) -> IngestLoop:
    return IngestLoop(house.readings, house.registry, house.settings, house.clock, host, port)


def forward_loops(house: House) -> list[ForwardLoop]:
    """Takes readings on to an outside store; none with the embedded one."""
    if not isinstance(house.readings, LineReadings):
        return []
    return [ForwardLoop(house.readings, PilesByProbe(house.registry).pile_of)]


def watch_loops(house: House, *, shared: bool = False) -> list[WatchLoop | SendLoop]:
    """``shared``: other processes watch too; each takes its share of the sites."""
    share = LeasedShare(house.registry) if shared else None
    return [
        WatchLoop(house.registry, house.book, house.settings, house.clock, house.catalogue, share=share),
        SendLoop(house.registry, house.book, house.settings, house.clock),
    ]


def warm_loop(house: House, *, beside_watch: bool, speed: float | None = None) -> WarmLoop:
    """So that the pages find reports and small curves ready; ``beside_watch``: there is one in this process."""
    ready = sparks_of(house.book).of_many
    return WarmLoop(
        house.registry, house.book, house.clock, beside_watch=beside_watch, speed=speed or 1.0, then=ready
    )


def parts(
    house: House, supervisor: Supervisor | None, *, open_door: bool = False, demo_speed: float | None = None
) -> Parts:
    return Parts(
        registry=house.registry,
        readings=house.readings,
        book=house.book,
        catalogue=house.catalogue,
        settings=house.settings,
        data_dir=house.data_dir,
        clock=house.clock,
        loops=supervisor.states if supervisor else dict,
        test_send=partial(test_send, house.registry, house.settings, house.clock),
        open_door=open_door,
        demo_speed=demo_speed,
    )
