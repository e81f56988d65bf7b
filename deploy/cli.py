"""The command ``turnbell``: one line for every mistake, never a traceback."""

from __future__ import annotations

import gc
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

# command -> (module, the click command in it, what it does): imported only when called, so that `turnbell --help` is quick
COMMANDS = {
    "serve": ("deploy.commands.service", "serve", "Run everything in one process."),
    "ingest": ("deploy.commands.service", "ingest", "Run the ingester alone (the config names the broker)."),
    "watch": ("deploy.commands.service", "watch", "Run the worker and the sender alone."),
    "api": ("deploy.commands.service", "api", "Run the pages and the API alone."),
    "demo": ("deploy.commands.demo", "demo", "Show everything at work on an invented site."),
    "check": ("deploy.commands.check", "check", "Look at broker, stores, clock, disk and channels."),
    "backup": (
        "deploy.commands.keep",
        "backup_command",
        "Write everything into one file, while the service runs.",
    ),
    "restore": ("deploy.commands.keep", "restore_command", "Bring a backup into a new data directory."),
    "thin": ("deploy.commands.years", "thin_command", "Thin old readings as [keeping] says."),
    "vacuum": ("deploy.commands.years", "vacuum_command", "Give unused disk of the stores back."),
    "nightly": (
        "deploy.commands.years",
        "nightly_command",
        "Do the night's work now: thin, vacuum, back up.",
    ),
    "move": ("deploy.commands.move", "move_command", "Copy the registry into another database (PostgreSQL)."),
    "move-readings": (
        "deploy.commands.move",
        "move_readings_command",
        "Copy the readings into another store (VictoriaMetrics, InfluxDB).",
    ),
    "forget-secrets": (
        "deploy.commands.keep",
        "forget_command",
        "Go on without the key of the registry's secrets.",
    ),
    "export": ("deploy.commands.keep", "export_command", "Write piles as JSON and CSV."),
    "import": ("deploy.commands.bring", "import_command", "Read a logger's CSV into a pile, or undo that."),
    "site": ("deploy.commands.site", "site", "A whole site as open files: export, import."),
    "token": ("deploy.commands.token", "token", "API tokens."),
    "account": ("deploy.commands.account", "account", "Accounts: invite, list, reset."),
    "audit": ("deploy.commands.audit", "audit", "The log of who did what: verify, export."),
    "probe": ("deploy.commands.probe", "probe", "Broker credentials of probes; a simulated probe."),
    "quarantine": (
        "deploy.commands.quarantine",
        "quarantine",
        "Messages that could not be used: list them, try them again.",
    ),
    "channel": ("deploy.commands.channel", "channel", "The ways to reach people."),
    "analyse": (
        "deploy.analyse",
        "analyse_command",
        "A heat report from a CSV of readings.",
    ),
    "mix": ("deploy.commands.mix", "mix_command", "Work out a recipe: C:N, moisture, water, buckets."),
}


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, name, _ = COMMANDS[cmd_name]
        gc.disable()  # it finds nothing in modules being imported, and looks for it a sixth of the start
        try:
            command: click.Command = getattr(importlib.import_module(module), name)
        finally:
            gc.enable()
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, does) for name, (_, _, does) in COMMANDS.items()])


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
