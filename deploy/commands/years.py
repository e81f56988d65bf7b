"""thin, vacuum, nightly: what keeps the service going over the years."""

from __future__ import annotations

import time
from pathlib import Path

import click

from deploy.commands.options import data_and_config, settings_of
from deploy.errors import SurroundingsError, UserError
from deploy.house import House, opened_house
from deploy.nightly import BREATH_S, do, sqlite_files
from deploy.thinning import Tally, thin
from shared.ports import NotFound
from shared.stores.vacuum import give_back, look, rebuild, unused
from shared.times import iso

WORTH_REBUILDING = 0.25
"""Of a file; the share that lies unused within pages after a year at ten minutes was thinned to an hour is a half."""


@click.command("thin")
@click.option("--dry-run", is_flag=True, help="Say what would go, and change nothing.")
@data_and_config
def thin_command(dry_run: bool, data_dir: Path, config_file: Path | None) -> None:
    """Thin the readings of the embedded store by age, also while the service runs.

    Open piles are never touched. What a finished batch's report says is put away first and stays as it is.
    """
    with opened_house(data_dir, settings_of(config_file)) as house:
        if not house.settings.keeping.levels:
            raise UserError(
                "every reading is kept: set [keeping] ten_minutes_after_days or hourly_after_days to thin"
            )
        tally = thin(house, dry_run=dry_run, at_most=2**62, go_on=_breathe)
        _say(house, tally, dry_run)


@click.command("vacuum")
@click.option("--rebuild", "whole", is_flag=True, help="Write each file anew, dense.")
@data_and_config
def vacuum_command(whole: bool, data_dir: Path, config_file: Path | None) -> None:
    """Give the empty pages of the stores' files back to the disk, also while the service runs.

    Thinning leaves most pages half full: --rebuild gives that back too. It needs twice the file's size of free disk, and
    nothing is stored meanwhile; the broker holds what comes in. A file of an older version is rebuilt anyhow, once.
    """
    with opened_house(data_dir, settings_of(config_file)) as house:
        files = sqlite_files(house)
        for path in files:
            anew = whole or not look(path).by_steps
            given = rebuild(path) if anew else give_back(path, _breathe)
            size = look(path).bytes
            click.echo(f"{path.name}: {given / 2**20:.1f} MiB given back, {size / 2**20:.1f} in use")
            if not anew and (more := unused(path)) > WORTH_REBUILDING * size:
                click.echo(
                    f"{path.name}: {more / 2**20:.1f} MiB lie unused within its pages; --rebuild gives them back"
                )
    if not files:
        click.echo("no store of this configuration is a file here; its server cleans up by itself")


@click.command("nightly")
@data_and_config
def nightly_command(data_dir: Path, config_file: Path | None) -> None:
    """Thin and back up as [keeping] says, and give unused disk back, also while the service runs.

    For a timer where the roles run apart; `turnbell serve` does it by itself.
    """
    with opened_house(data_dir, settings_of(config_file)) as house:
        night = do(house, _breathe)
    if night is None:  # nobody tells _breathe to stop
        return
    click.echo(f"{night.thinned} readings thinned, {night.given_back / 2**20:.1f} MiB given back")
    if night.trouble:
        raise SurroundingsError(f"there is no backup of this night: {night.trouble}")
    click.echo(night.backup or "no backup: [keeping] backup_to names no folder")


def _breathe() -> bool:
    time.sleep(BREATH_S)
    return True


def _say(house: House, tally: Tally, dry_run: bool) -> None:
    for pile_id in sorted(tally.seen, key=lambda one: (one != "", one)):
        gone, seen = tally.gone[pile_id], tally.seen[pile_id]
        if gone:
            click.echo(f"{_named(house, pile_id)}: {gone} of {seen} readings")
    click.echo(f"{tally.total} readings {'would go' if dry_run else 'went'}")


def _named(house: House, pile_id: str) -> str:
    if not pile_id:
        return "of no batch (unplaced probes, batteries, signal)"
    try:
        pile = house.registry.piles.get(pile_id)
    except NotFound:
        return pile_id
    return f"{pile.peg} of {pile.site}, finished {iso(pile.finished_at)[:10] if pile.finished_at is not None else '-'}"
