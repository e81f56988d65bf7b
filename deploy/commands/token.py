"""`turnbell token`: who may use the API."""

from __future__ import annotations

from pathlib import Path

import click

from api.auth_tokens import create_token, use_of
from deploy.commands.account import note
from deploy.commands.options import data_and_config, settings_of
from deploy.errors import UserError
from deploy.house import opened_house
from shared.people import ROLES
from shared.times import DAY, Millis, SystemClock, iso


@click.group()
def token() -> None:
    """API tokens: made here, shown once, stored only as a digest."""


@token.command("create", short_help="Make a bearer token and print it once.")
@data_and_config
@click.option("--role", type=click.Choice(ROLES), required=True, help="What its holder may do.")
@click.option("--name", default="", help="Whose or what it is, for the list of tokens.")
@click.option("--site", help="The one site that it opens; without it, every site.")
@click.option(
    "--days",
    type=click.FloatRange(0, 36_500, min_open=True),
    help="How long it works; without it, until revoked.",
)
def create(
    data_dir: Path, config_file: Path | None, role: str, name: str, site: str | None, days: float | None
) -> None:
    """Make a bearer token and print it once."""
    held = next(known for known in ROLES if known == role)
    with opened_house(data_dir, settings_of(config_file)) as house:
        if site is not None and site not in {one.slug for one in house.registry.sites.all()}:
            raise UserError(f"there is no site {site}")
        now = SystemClock().now()
        ends = None if days is None else Millis(now + round(days * DAY))
        with house.registry.begin() as tx:
            secret = create_token(tx, held, name or role, now, expires_at=ends, site=site)
            note(house, "access.add_token", name or role)
        click.echo(secret)


@token.command("list", short_help="List the tokens.")
@data_and_config
def list_command(data_dir: Path, config_file: Path | None) -> None:
    """List the tokens: what they may do, until when, when they were used last."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        for one in house.registry.access.tokens():
            if use_of(one) == "bearer":
                ends = "" if one.expires_at is None else f", until {iso(one.expires_at)}"
                used = "not used yet" if one.last_used_at is None else f"last used {iso(one.last_used_at)}"
                click.echo(f"{one.id}  {one.name}: {one.role} on {one.site or 'every site'}{ends}, {used}")


@token.command("revoke", short_help="End a token.")
@data_and_config
@click.argument("token_id")
def revoke(data_dir: Path, config_file: Path | None, token_id: str) -> None:
    """End a token, and every session that was opened with it."""
    with opened_house(data_dir, settings_of(config_file)) as house, house.registry.begin() as tx:
        if token_id not in {one.id for one in tx.access.tokens()}:
            raise UserError(f"there is no token {token_id}; `turnbell token list` names them")
        tx.access.revoke(token_id)
        note(house, "access.revoke", token_id)
