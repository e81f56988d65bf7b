"""Options that several commands share, and how they become Settings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from shared.settings import Settings
from shared.settings_read import load_settings

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

DATA = click.option(
    "--data",
    "data_dir",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Directory of the stores.",
)
CONFIG = click.option(
    "--config",
    "config_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="TOML configuration file.",
)
HOST = click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address of the pages and the API."
)
PORT = click.option(
    "--port",
    default=8750,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Their port; 0 = any free one.",
)
DOOR_HOST = click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address of /healthz, /readyz and /metrics."
)
DOOR_PORT = click.option(
    "--port",
    default=0,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Their port; 0 = any free one.",
)
MQTT_HOST = click.option(
    "--mqtt-host", default="127.0.0.1", show_default=True, help="Address of the embedded broker."
)
MQTT_PORT = click.option(
    "--mqtt-port",
    default=1883,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="Its port; 0 = any free one.",
)


def data_and_config(command: Decorated) -> Decorated:
    return DATA(CONFIG(command))


def settings_of(config_file: Path | None) -> Settings:
    return load_settings(config_file)
