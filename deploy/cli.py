"""The command ``turnbell``: one line for every mistake, never a traceback."""

from __future__ import annotations

import importlib
import logging
import sys
from typing import Any

import click

from deploy.errors import SurroundingsError, UserError
from shared.file_layout import FileError
from shared.heat.catalogue import CatalogueError
from shared.ports import StorageError
from shared.settings import SettingsError

# command -> (module, the click command in it): imported only when called, so that `turnbell --help` is quick
COMMANDS = {
    "serve": ("deploy.commands.service", "serve"),
    "ingest": ("deploy.commands.service", "ingest"),
    "watch": ("deploy.commands.service", "watch"),
    "api": ("deploy.commands.service", "api"),
    "demo": ("deploy.commands.demo", "demo"),
    "check": ("deploy.commands.check", "check"),
    "backup": ("deploy.commands.keep", "backup_command"),
    "restore": ("deploy.commands.keep", "restore_command"),
    "thin": ("deploy.commands.years", "thin_command"),
    "vacuum": ("deploy.commands.years", "vacuum_command"),
    "nightly": ("deploy.commands.years", "nightly_command"),
    "move": ("deploy.commands.move", "move_command"),
    "move-readings": ("deploy.commands.move", "move_readings_command"),
    "forget-secrets": ("deploy.commands.keep", "forget_command"),
    "export": ("deploy.commands.keep", "export_command"),
    "import": ("deploy.commands.bring", "import_command"),
    "site": ("deploy.commands.site", "site"),
    "token": ("deploy.commands.token", "token"),
    "account": ("deploy.commands.account", "account"),
    "audit": ("deploy.commands.audit", "audit"),
    "probe": ("deploy.commands.probe", "probe"),
    "quarantine": ("deploy.commands.quarantine", "quarantine"),
    "channel": ("deploy.commands.channel", "channel"),
    "analyse": ("deploy.analyse", "analyse_command"),
    "mix": ("deploy.commands.mix", "mix_command"),
}


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, name = COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), name)
        return command


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="turnbell", prog_name="turnbell")
@click.option("--debug", is_flag=True, help="Log more, and show where an internal error came from.")
def turnbell(debug: bool) -> None:
    """Telemetry for hot compost: readings in, notices out, heat curves kept."""
    logging.basicConfig(
        level=logging.DEBUG if debug else logging.WARNING,
        format="%(asctime)s %(levelname)s %(name)s %(message)s",
        stream=sys.stderr,
    )
    for quiet in ("httpx", "httpcore", "asyncio", "matplotlib", "mail.log"):
        logging.getLogger(quiet).setLevel(logging.WARNING)


def run(arguments: list[str] | None = None) -> int:
    """Run one command line; give the exit status: 0 done, 1 the surroundings failed, 2 the caller's mistake."""
    debug = "--debug" in (sys.argv[1:] if arguments is None else arguments)
    try:
        result: Any = turnbell.main(args=arguments, prog_name="turnbell", standalone_mode=False)
    except click.exceptions.Abort:
        return _say("stopped", 1)
    except click.UsageError as error:
        where = error.ctx.command_path if error.ctx else "turnbell"
        return _say(f"{error.format_message().rstrip('.')}; see '{where} --help'", 2)
    except click.ClickException as error:
        return _say(error.format_message(), 2)
    except (UserError, SettingsError, CatalogueError, FileError) as error:
        return _say(str(error), 2)
    except (SurroundingsError, StorageError, OSError) as error:
        return _say(str(error), 1)
    except KeyboardInterrupt:
        return _say("stopped", 1)
    except Exception as error:
        if debug:
            raise
        return _say(
            f"internal error ({type(error).__name__}: {error}); run again with --debug to see where", 1
        )
    return result if isinstance(result, int) else 0


def _say(text: str, status: int) -> int:
    click.echo("turnbell: " + " ".join(text.split()), err=True)
    return status


def main() -> None:
    sys.exit(run())
