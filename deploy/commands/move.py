"""move, move-readings: from the embedded stores to servers."""

from __future__ import annotations

from pathlib import Path

import click

from deploy.commands.options import data_and_config, settings_of
from deploy.errors import UserError
from deploy.house import opened_house
from deploy.moving_readings import move_readings
from deploy.registry_key import KEY_FILE
from shared.stores import READINGS_FILE, REGISTRY_FILE
from shared.stores.copying import copy_registry


@click.command("move")
@click.argument("target")
@data_and_config
def move_command(target: str, data_dir: Path, config_file: Path | None) -> None:
    """Copy everything that is not a reading into the empty database TARGET (postgresql://user@host/name).

    Stop the service first; then set [registry] url to TARGET and start it. What was moved from stays as it is.
    """
    source = settings_of(config_file).registry.url or data_dir / REGISTRY_FILE
    if isinstance(source, Path) and not source.is_file():
        raise UserError(
            f"{data_dir} holds no {REGISTRY_FILE}; name the data directory of the service with --data"
        )
    copied = copy_registry(source, target)
    click.echo(f"{sum(copied.values())} rows of {len(copied)} tables copied. Now set [registry] url to it.")
    if (data_dir / KEY_FILE).is_file():
        click.echo(
            f"Its secrets stay sealed: give every other machine the key too, [registry] key_file = a copy of {KEY_FILE}."
        )


@click.command("move-readings")
@data_and_config
def move_readings_command(data_dir: Path, config_file: Path | None) -> None:
    """Copy the readings of the embedded store in --data into the one that [readings] url of --config names.

    Stop the service first. They go into the spool, from which `turnbell ingest` (or serve) takes them on; cut off, it is
    done again: what is there already counts once. What was moved from stays as it is.
    """
    settings, source = settings_of(config_file), data_dir / READINGS_FILE
    if settings.readings.url is None:
        raise UserError("[readings] url names no store to move them to")
    if not source.is_file():
        raise UserError(
            f"{data_dir} holds no {READINGS_FILE}; name the data directory of the service with --data"
        )
    with opened_house(data_dir, settings) as house:
        moved = move_readings(
            source, house.readings, house.clock.now(), lambda done: click.echo(done, err=True)
        )
    click.echo(f"{moved.stored} readings copied, {moved.repeated} were there already.")
    if moved.differing:
        click.echo(f"{moved.differing} are there with another value, which stays.")
