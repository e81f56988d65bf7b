"""serve, and its roles one by one."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path

import click

from api.app import create_app
from api.auth_session import first_run_key
from api.role_app import create_role_app
from deploy import assembly
from deploy.commands.options import (
    DOOR_HOST,
    DOOR_PORT,
    HOST,
    MQTT_HOST,
    MQTT_PORT,
    PORT,
    data_and_config,
    settings_of,
)
from deploy.errors import UserError
from deploy.house import House, open_house
from deploy.service import Service
from deploy.supervisor import Supervisor
from deploy.web import WebServer, address_for_people, address_of, bind, wait_for_a_signal
from shared.loops import Loop


@click.command()
@data_and_config
@HOST
@PORT
@MQTT_HOST
@MQTT_PORT
def serve(
    data_dir: Path, config_file: Path | None, host: str, port: int, mqtt_host: str, mqtt_port: int
) -> None:
    """Run broker, ingester, worker, sender and pages in one process, until SIGTERM."""
    _tell_what_happens()
    house = open_house(data_dir, settings_of(config_file), create=True)
    try:
        service = Service(house, host=host, port=port, mqtt_host=mqtt_host, mqtt_port=mqtt_port)
        service.start()
        _announce(house, service.address_for_people)
        broker_host, broker_port = service.mqtt_address
        click.echo(f"Probes publish to {broker_host} port {broker_port}. Stop with Ctrl-C.")
        wait_for_a_signal()
        service.stop()
    finally:
        house.close()


@click.command()
@data_and_config
@DOOR_HOST
@DOOR_PORT
def ingest(data_dir: Path, config_file: Path | None, host: str, port: int) -> None:
    """Take readings from the broker that [mqtt] names, until SIGTERM."""
    settings = settings_of(config_file)
    if settings.mqtt.host is None:
        raise UserError("[mqtt] host is not set; `turnbell ingest` needs an outside broker")
    _tell_what_happens()
    house = open_house(data_dir, settings, create=True)
    try:
        loop = assembly.ingest_loop(house, settings.mqtt.host, settings.mqtt.port)
        _run_loops(house, [loop, *assembly.forward_loops(house)], host, port)
    finally:
        house.close()


@click.command()
@data_and_config
@DOOR_HOST
@DOOR_PORT
def watch(data_dir: Path, config_file: Path | None, host: str, port: int) -> None:
    """Work out what changed and tell people, until SIGTERM."""
    _tell_what_happens()
    house = open_house(data_dir, settings_of(config_file), create=True)
    try:
        _run_loops(house, assembly.watch_loops(house, shared=True), host, port)
    finally:
        house.close()


@click.command()
@data_and_config
@HOST
@PORT
def api(data_dir: Path, config_file: Path | None, host: str, port: int) -> None:
    """Serve pages and API, until SIGTERM."""
    _tell_what_happens()
    house = open_house(data_dir, settings_of(config_file), create=True)
    try:
        listener = bind(host, port)
        supervisor = Supervisor(
            [], house.registry, house.clock, comforts=[assembly.warm_loop(house, beside_watch=False)]
        )
        web = WebServer(create_app(assembly.parts(house, None)), listener, house.settings.web.trusted_proxies)
        supervisor.start()
        web.start()
        _announce(house, address_for_people(listener))
        wait_for_a_signal()
        web.stop()
        supervisor.stop()
    finally:
        house.close()


def _tell_what_happens() -> None:
    """What is lost is a warning; that it is back is told too. Others' libraries stay quiet."""
    if not logging.getLogger().isEnabledFor(logging.INFO):
        for ours in ("ingest", "alerts", "api", "deploy", "shared"):
            logging.getLogger(ours).setLevel(logging.INFO)


def _run_loops(house: House, loops: Sequence[Loop], host: str, port: int) -> None:
    listener = bind(host, port)
    supervisor = Supervisor(loops, house.registry, house.clock)
    door = WebServer(create_role_app(assembly.parts(house, supervisor)), listener)
    supervisor.start()
    door.start()
    names = ", ".join(loop.name for loop in loops)
    click.echo(
        f"Running: {names}. How it is: {address_of(listener)}healthz, readyz, metrics. Stop with Ctrl-C."
    )
    wait_for_a_signal()
    door.stop()
    supervisor.stop()


def _announce(house: House, address: str) -> None:
    click.echo(f"Turnbell is at {address}")
    key = first_run_key(house.registry, house.clock.now())
    if key is not None:
        door = f"{(house.settings.web.public_url or address).rstrip('/')}/enter?key={key}"
        click.echo(f"First visit, once and within a day: {door} (makes the owner's account)")
