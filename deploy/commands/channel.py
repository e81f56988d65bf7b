"""`turnbell channel`: the ways to reach people, and whether they work."""

from __future__ import annotations

from pathlib import Path

import click

from alerts.channels import test_send
from deploy.commands.options import data_and_config, settings_of
from deploy.errors import SurroundingsError, UserError
from deploy.house import opened_house
from shared.ports import NotFound
from shared.times import iso


@click.group()
def channel() -> None:
    """The ways to reach people, and whether they work."""


@channel.command("list", short_help="Every channel with its person and whether it works.")
@data_and_config
def list_channels(data_dir: Path, config_file: Path | None) -> None:
    """Every channel: its id, its person, its kind, and whether it is on. Addresses are not shown, tokens stand in them."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        names = {person.id: person.name for person in house.registry.people.all()}
        for one in house.registry.people.channels():
            off = f"off since {iso(one.disabled_at)}: {one.disabled_why}" if one.disabled_at else "on"
            click.echo(f"{one.id}  {names.get(one.person_id, one.person_id)}  {one.kind}  {off}")


@channel.command("test", short_help="Send a trial message now.")
@data_and_config
@click.argument("channel_id")
def try_channel(data_dir: Path, config_file: Path | None, channel_id: str) -> None:
    """Send a trial message by CHANNEL_ID now. One that had been given up and works is switched on again."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        try:
            held = house.registry.people.channel(channel_id)
        except NotFound:
            raise UserError(f"no channel {channel_id}; `turnbell channel list` shows them") from None
        why = test_send(house.registry, house.settings, house.clock, held.id)
        if why:
            raise SurroundingsError(f"not accepted: {why}")
    click.echo("accepted by the other side")
