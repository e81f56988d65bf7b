"""`turnbell token`: who may use the API."""

from __future__ import annotations

from pathlib import Path

import click

from api.auth import create_token
from deploy.assembly import opened_house
from deploy.commands.options import data_and_config, settings_of
from shared.people import ROLES
from shared.times import SystemClock


@click.group(short_help="API tokens.")
def token() -> None:
    """API tokens: made here, shown once, stored only as a digest."""


@token.command("create", short_help="Make a bearer token and print it once.")
@data_and_config
@click.option("--role", type=click.Choice(ROLES), required=True, help="What its holder may do.")
@click.option("--name", default="", help="Whose or what it is, for the list of tokens.")
def create(data_dir: Path, config_file: Path | None, role: str, name: str) -> None:
    """Make a bearer token and print it once."""
    held = next(known for known in ROLES if known == role)
    with opened_house(data_dir, settings_of(config_file)) as house:
        click.echo(create_token(house.registry, held, name or role, SystemClock().now()))
