"""`turnbell probe`: what may connect to the broker."""

from __future__ import annotations

from pathlib import Path

import click

from deploy.commands.options import data_and_config, settings_of
from deploy.commands.simulate import simulate_command
from deploy.enrol import enrol, revoke
from deploy.house import opened_house
from shared.times import SystemClock


@click.group()
def probe() -> None:
    """Broker credentials of probes; a simulated probe."""


probe.add_command(simulate_command)


@probe.command("enrol", short_help="Make a probe's broker credential and print it once.")
@click.argument("probe_name", metavar="PROBE")
@data_and_config
@click.option("--site", help="Slug of the site; needed when there are several.")
def enrol_command(probe_name: str, data_dir: Path, config_file: Path | None, site: str | None) -> None:
    """Make a broker credential for PROBE, write the broker's files, and print it once."""
    with opened_house(data_dir, settings_of(config_file), create=True) as house:
        click.echo(enrol(house.registry, data_dir, probe_name, site, SystemClock().now()))


@probe.command("revoke", short_help="End a probe's broker credential.")
@click.argument("probe_name", metavar="PROBE")
@data_and_config
@click.option("--site", help="Slug of the site; needed when there are several.")
def revoke_command(probe_name: str, data_dir: Path, config_file: Path | None, site: str | None) -> None:
    """End PROBE's broker credential at once. To rotate one, enrol the probe again."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        click.echo(
            f"{revoke(house.registry, data_dir, probe_name, site, SystemClock().now())} may no longer connect"
        )
