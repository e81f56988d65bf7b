"""`turnbell site`: a whole site out into open files, and in again elsewhere."""

from __future__ import annotations

from pathlib import Path

import click

from deploy.commands.account import note
from deploy.commands.options import data_and_config, settings_of
from deploy.errors import UserError
from deploy.house import opened_house
from shared.heat.catalogue import Catalogue
from shared.ports import NotFound
from shared.site_export import EXPORTED, write_site
from shared.site_file import SiteRefused
from shared.site_import import bring_site


@click.group()
def site() -> None:
    """A whole site as JSON, CSV and JPEG in one zip, without any secret."""


@site.command("export", short_help="Write a site into one zip.")
@click.argument("slug")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@data_and_config
def export_command(slug: str, file: Path, data_dir: Path, config_file: Path | None) -> None:
    """Write the site SLUG into FILE (a zip): piles, field log, pictures, probes, readings, own rules, people's names.

    Not in it: channels, accounts, tokens, credentials of probes, notices and the audit log.
    """
    if file.exists():
        raise UserError(f"{file} exists already; choose another name")
    draft = file.with_name(f".{file.name}.part")
    with opened_house(data_dir, settings_of(config_file)) as house:
        try:
            with draft.open("wb") as target:
                draft.chmod(0o600)
                count = write_site(
                    slug, house.registry, house.readings, house.book, data_dir, target, house.clock.now()
                )
            note(house, EXPORTED, slug, site=slug, detail={"readings": count})
            draft.rename(file)
        except NotFound as error:
            raise UserError(str(error)) from error
        finally:
            draft.unlink(missing_ok=True)
    click.echo(f"{file}: {count} readings, {file.stat().st_size / 2**20:.1f} MiB")


@site.command("import", short_help="Bring a site's zip into this installation.")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@data_and_config
def import_command(file: Path, data_dir: Path, config_file: Path | None) -> None:
    """Check FILE whole, then bring its site into --data (made if need be). A site, pile or rule that is here is refused.

    Cut off in the middle, it is done again. Afterwards: enrol its probes, add people's channels, restart the service.
    """

    def on(count: int) -> None:
        if count % 500_000 == 0:
            click.echo(f"{count} readings", err=True)

    with opened_house(data_dir, settings_of(config_file), create=True) as house:
        try:
            brought, count = bring_site(file, house.registry, house.readings, data_dir, house.clock.now(), on)
        except SiteRefused as error:
            raise UserError(f"{file}: {error}; nothing was brought") from error
        Catalogue.load(data_dir)
    click.echo(
        f"{brought.site.slug}: {len(brought.piles)} piles, {count} readings, {len(brought.probes)} probes. Enrol its "
        "probes (`turnbell probe enrol`) and add people's channels; a running service is to be restarted."
    )
