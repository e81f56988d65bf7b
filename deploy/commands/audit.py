"""`turnbell audit`: the log of who did what, checked and handed out."""

from __future__ import annotations

from pathlib import Path

import click

from api.v1.audit import all_entries, json_lines
from deploy.commands.options import data_and_config, settings_of
from deploy.house import opened_house
from shared.audit import FIRST, check


@click.group()
def audit() -> None:
    """The log of who did what, from where."""


@audit.command("verify", short_help="Check the chain; exit 1 when something was changed.")
@data_and_config
@click.option("--head", "noted", help="A head of the chain that was noted earlier: it must still be in it.")
def verify(data_dir: Path, config_file: Path | None, noted: str | None) -> int:
    """Work the chain out anew; exit 1 when an entry was changed, or one that was noted is missing."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        verdict = check(all_entries(house.registry))
        if verdict.broken_at is not None:
            click.echo(f"BROKEN at entry {verdict.broken_at}: it does not follow from those before", err=True)
            return 1
        if noted and noted != FIRST and all(entry.digest != noted for entry in all_entries(house.registry)):
            click.echo(f"BROKEN: no entry has the head {noted}: the end was cut off", err=True)
            return 1
        click.echo(f"{verdict.entries} entries, unbroken; head {verdict.head}")
        return 0


@audit.command("export", short_help="Write the whole log, an entry a line.")
@data_and_config
@click.option(
    "--out", "file", type=click.Path(dir_okay=False, path_type=Path), help="File; without it, the terminal."
)
def export(data_dir: Path, config_file: Path | None, file: Path | None) -> None:
    """Write the whole log as JSON, an entry a line, oldest first."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        if file is None:
            for line in json_lines(house.registry):
                click.echo(line, nl=False)
            return
        with file.open("w", encoding="utf-8") as out:
            out.writelines(json_lines(house.registry))
