"""`turnbell quarantine`: messages that could not be used, and another try at them."""

from __future__ import annotations

from pathlib import Path

import click

from deploy.commands.options import data_and_config, settings_of
from deploy.house import opened_house
from ingest.figures import printable
from ingest.quarantine import replay
from shared.times import iso

ALL_SHOWN = 10


@click.group()
def quarantine() -> None:
    """Messages that could not be used: list them, try them again."""


@quarantine.command("list", short_help="Show the newest messages in quarantine.")
@data_and_config
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 1000), help="How many.")
def list_command(data_dir: Path, config_file: Path | None, limit: int) -> None:
    """Show the newest messages in quarantine: id, time, topic, bytes, why, and how they begin."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        found = house.registry.quarantine.all(limit=limit)
    for one in found:
        head = printable(one.payload[:80].decode("utf-8", "replace"))
        click.echo(f"{one.id}  {iso(one.received_at)}  {printable(one.topic, 120)}  {one.size} bytes")
        click.echo(f"    {one.reason}")
        click.echo(f"    {head}")
    if not found:
        click.echo("The quarantine is empty.")


@quarantine.command("replay", short_help="Try quarantined messages again.")
@click.argument("ids", metavar="[ID]...", nargs=-1, type=click.IntRange(1))
@data_and_config
def replay_command(ids: tuple[int, ...], data_dir: Path, config_file: Path | None) -> None:
    """Try the messages with these IDs again (none = all), after a decoder or a mapping has been mended or the clock put
    right. What can be used is stored as of when it came in and leaves the quarantine; the rest stays, with the reason.
    Safe while the service runs."""
    settings = settings_of(config_file)
    with opened_house(data_dir, settings) as house:
        done = replay(house.registry, house.readings, settings, house.clock, ids or None)
    click.echo(f"{done.freed} messages freed, {done.stored} new readings stored, {len(done.still)} stay.")
    for number, (one, why) in enumerate(done.still.items()):
        if number == ALL_SHOWN:
            click.echo(f"  and {len(done.still) - ALL_SHOWN} more; `turnbell quarantine list` shows them")
            break
        click.echo(f"  {one}: {why}")
