"""`turnbell check`: the doctor."""

from __future__ import annotations

from pathlib import Path

import click

from deploy.commands.options import data_and_config, settings_of
from deploy.doctor import examine, forget_role
from deploy.errors import UserError
from deploy.house import opened_house

MARKS = {"ok": "ok  ", "warn": "warn", "fail": "FAIL"}


@click.command()
@data_and_config
@click.option(
    "--gone", metavar="ROLE", help="This role was taken away for good: nobody is to miss it any more."
)
def check(data_dir: Path, config_file: Path | None, gone: str | None) -> int:
    """Look at everything the service leans on; exit 1 when something would stop it."""
    failed = False
    with opened_house(data_dir, settings_of(config_file)) as house:
        if gone is not None and not forget_role(house, gone):
            raise UserError(f"no role {gone} ever ran on this data directory")
        for finding in examine(house, config_file):
            failed = failed or finding.verdict == "fail"
            click.echo(f"{MARKS[finding.verdict]}  {finding.id}: {finding.text}")
    return 1 if failed else 0
