"""backup, restore, export: what keeps data and takes it out."""

from __future__ import annotations

from pathlib import Path

import click

from deploy.backup import backup, restore
from deploy.commands.options import DATA, data_and_config, settings_of
from deploy.errors import UserError
from deploy.exporting import export_piles
from deploy.house import opened_house
from deploy.importing import find_pile
from deploy.registry_key import LostKey
from shared.stores import REGISTRY_FILE
from shared.stores.lost_key import give_up_secrets
from shared.times import SystemClock


@click.command("backup")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@data_and_config
def backup_command(file: Path, data_dir: Path, config_file: Path | None) -> None:
    """Write the stores of --data and --config into FILE, checked, while the service runs."""
    settings = settings_of(config_file)
    keyed = backup(data_dir, file, settings)
    click.echo(f"{file}: {file.stat().st_size / 2**20:.1f} MiB, checked")
    if keyed:
        click.echo("The key of its secrets is in it: keep it as safe as the data directory.")
    elif settings.registry.key is not None:
        click.echo("The key of its secrets, [registry] key, is not in it: keep that too.")


@click.command("restore")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@DATA
def restore_command(file: Path, data_dir: Path) -> None:
    """Check FILE and unpack it into --data, which must be new or empty."""
    restore(file, data_dir)
    click.echo(f"{data_dir} holds what {file} held")


@click.command("export")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--site", help="Only the piles of this site.")
@click.option("--pile", "pile_name", help="Only this pile: its id, or its peg.")
@data_and_config
def export_command(
    folder: Path, site: str | None, pile_name: str | None, data_dir: Path, config_file: Path | None
) -> None:
    """Write every pile into FOLDER (new or empty): a JSON with all that was said and worked out, a CSV of readings."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        if pile_name is not None:
            piles = [find_pile(house.registry, pile_name)]
        else:
            piles = house.registry.piles.all(site=site)
        for file in export_piles(house.registry, house.book, piles, folder, house.clock.now()):
            click.echo(file)
    if not piles:
        click.echo("there are no piles to write")


@click.command("forget-secrets")
@data_and_config
def forget_command(data_dir: Path, config_file: Path | None) -> None:
    """Give up what is sealed with a key that is lost: second factors, and the webhooks and push addresses.

    Stop the service first. Those who had a second factor sign in by password alone; the channels are switched off and
    are made anew. With the key at hand there is nothing to give up, and nothing happens.
    """
    settings = settings_of(config_file)
    where = settings.registry.url or data_dir / REGISTRY_FILE
    try:
        with opened_house(data_dir, settings):
            raise UserError("the key is here and fits: nothing was given up")
    except LostKey:
        gone = give_up_secrets(where, SystemClock().now())
    click.echo(
        ", ".join(f"{count} {what}" for what, count in gone.items())
        + " given up; everything else is as it was."
    )
