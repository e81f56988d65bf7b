"""`turnbell account`: who signs in. For whoever sits at the machine, also when nobody can come in any more."""

from __future__ import annotations

import getpass
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from api.auth_accounts import INVITE_HOURS, invite, join_link
from deploy.commands.options import data_and_config, settings_of
from deploy.errors import UserError
from deploy.house import RUNNING_FILE, House, opened_house
from shared.audit import COMMAND_LINE, Deed
from shared.people import ROLES, Role
from shared.times import SystemClock


@click.group()
def account() -> None:
    """Accounts of people who sign in with a name and a password."""


@account.command("invite", short_help="Print a one-time link that makes an account.")
@data_and_config
@click.option("--role", type=click.Choice(ROLES), help="Role on every site.")
@click.option(
    "--on", "on_site", multiple=True, metavar="SITE=ROLE", help="Role on one site; may be repeated."
)
@click.option(
    "--hours",
    default=INVITE_HOURS,
    show_default=True,
    type=click.FloatRange(0.1, 720),
    help="How long it works.",
)
def invite_command(
    data_dir: Path, config_file: Path | None, role: str | None, on_site: tuple[str, ...], hours: float
) -> None:
    """Print a one-time link that makes an account."""
    if role is None and not on_site:
        raise UserError("say what they may do: --role helper, or --on larkfield=helper")
    with opened_house(data_dir, settings_of(config_file)) as house:
        places = dict(_place(house, text) for text in on_site)
        held = None if role is None else _role(role)
        now = SystemClock().now()
        with house.registry.begin() as tx:
            key = invite(tx, now, role=held, site_roles=places, hours=hours)
            note(house, "invitations.add", role or ",".join(on_site))
        click.echo(_link(house, key))


@account.command("list", short_help="List the accounts.")
@data_and_config
def list_command(data_dir: Path, config_file: Path | None) -> None:
    """List the accounts with their roles."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        for one in house.registry.accounts.all():
            places = "".join(f" {role}@{site}" for site, role in sorted(one.site_roles.items()))
            off = " (switched off)" if one.disabled_at is not None else ""
            click.echo(f"{one.login}\t{one.name}\t{(one.role or '') + places}{off}".expandtabs(24))


@account.command("reset", short_help="Print a one-time link for a new password.")
@data_and_config
@click.argument("login")
def reset_command(data_dir: Path, config_file: Path | None, login: str) -> None:
    """Print a one-time link for a new password; whoever uses it also switches the second factor off."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        held = house.registry.accounts.by_login(login.strip().lower())
        if held is None:
            raise UserError(f"there is no account {login}; `turnbell account list` names them")
        with house.registry.begin() as tx:
            key = invite(tx, SystemClock().now(), role=held.role, name=held.name, account=held.id)
            note(house, "accounts.reset", held.id)
        click.echo(_link(house, key))


def note(
    house: House, act: str, what: str, *, site: str | None = None, detail: Mapping[str, Any] | None = None
) -> None:
    """Into the audit log: whoever is at the machine."""
    try:
        who = getpass.getuser()
    except (KeyError, OSError):
        who = "somebody at the machine"
    house.registry.audit.append(
        Deed(SystemClock().now(), who, COMMAND_LINE, act, what, site, detail=detail or {})
    )


def _place(house: House, text: str) -> tuple[str, Role]:
    site, equals, role = text.partition("=")
    if not equals or role not in ROLES:
        raise UserError(f"--on {text}: write SITE=ROLE, where ROLE is one of {', '.join(ROLES)}")
    if site not in {one.slug for one in house.registry.sites.all()}:
        raise UserError(f"--on {text}: there is no site {site}")
    return site, _role(role)


def _role(text: str) -> Role:
    return next(known for known in ROLES if known == text)


def _link(house: House, key: str) -> str:
    """The whole address where the settings or the running service say it, else what to put after it."""
    public = house.settings.web.public_url or _running(house)
    return (
        join_link(public, key)
        if public
        else f"/join{join_link('', key).removeprefix('/join')} (after the address of the pages)"
    )


def _running(house: House) -> str | None:
    try:
        return str(json.loads((house.data_dir / RUNNING_FILE).read_text("utf-8"))["web"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
