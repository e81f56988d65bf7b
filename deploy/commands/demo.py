"""`turnbell demo`: the whole service on Larkfield Yard, in a directory of its own."""

from __future__ import annotations

import shutil
import tempfile
from datetime import timedelta
from pathlib import Path

import click

from deploy.commands.options import HOST
from deploy.demo import LiveProbes, furnish, store_history
from deploy.demo_inbox import Inbox
from deploy.errors import UserError
from deploy.house import open_house
from deploy.larkfield import DAYS, DUE_SOON, SITE_NAME, ZONE
from deploy.service import Service
from deploy.web import wait_for_a_signal
from deploy.yard import Yard, history
from shared.heat.catalogue import Catalogue
from shared.settings import Settings
from shared.times import Millis, ScaledClock, SystemClock, from_datetime, to_datetime


@click.command()
@HOST
@click.option(
    "--port",
    default=8750,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Port of the pages; 0 = any free one.",
)
@click.option(
    "--speed", default=60.0, show_default=True, type=click.FloatRange(1, 600), help="Demo clock factor."
)
@click.option("--seed", default=7, show_default=True, help="The same seed gives the same yard.")
@click.option(
    "--data",
    "data_dir",
    type=click.Path(file_okay=False, path_type=Path),
    help="Keep the demo's stores in this new directory; else they go when the demo ends.",
)
def demo(host: str, port: int, speed: float, seed: int, data_dir: Path | None) -> None:
    """Start Larkfield Yard: six open piles, three finished ones, live probes, notices to a local inbox page."""
    if data_dir is not None and data_dir.exists():
        raise UserError(f"{data_dir} exists; the demo needs a new directory")
    place = data_dir or Path(tempfile.mkdtemp(prefix="turnbell-demo-"))
    try:
        _run(place, host, port, speed, seed)
    finally:
        if data_dir is None:
            shutil.rmtree(place, ignore_errors=True)


def _run(place: Path, host: str, port: int, speed: float, seed: int) -> None:
    click.echo(f"Building {SITE_NAME} ...")
    catalogue = Catalogue.load()
    yard = Yard(_first_midnight(), seed)
    samples = history(yard, catalogue.default_guide)
    clock = ScaledClock(yard.now, 1.0)
    with Inbox() as inbox:
        house = open_house(place, inbox.settings(Settings()), clock, create=True)
        try:
            furnish(house, yard)
            service = Service(
                house, host=host, port=port, mqtt_host="127.0.0.1", mqtt_port=0, demo_speed=speed,
                add_to_app=inbox.add_to_app,
            )  # fmt: skip

            def live(broker_host: str, broker_port: int) -> list[LiveProbes]:
                store_history(house, broker_host, broker_port, samples)
                clock.restart(yard.now, speed)
                return [LiveProbes(house, yard, broker_host, broker_port)]

            service.start(live)
            broker_host, broker_port = service.mqtt_address
            click.echo(
                f"{SITE_NAME} is at {service.address} (its clock runs {speed:g} times as fast; "
                f"{DUE_SOON} falls due for a turn within a minute)\n"
                f"Messages to its two makers: {service.address}inbox\n"
                f"Probes speak MQTT on {broker_host} port {broker_port}. Stop with Ctrl-C."
            )
            wait_for_a_signal()
            service.stop()
        finally:
            house.close()


def _first_midnight() -> Millis:
    """Local midnight so many days ago that the history ends today."""
    today = to_datetime(SystemClock().now(), ZONE).replace(hour=0, minute=0, second=0, microsecond=0)
    return from_datetime(today - timedelta(days=DAYS))
