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


def _host(name: str, whose: str) -> Callable[[Decorated], Decorated]:
    return click.option(name, default="127.0.0.1", show_default=True, help=f"Address of {whose}.")


def _port(name: str, default: int, whose: str) -> Callable[[Decorated], Decorated]:
    words = f"{whose} port; 0 = any free one."
    return click.option(name, default=default, show_default=True, type=click.IntRange(0, 65535), help=words)


HOST, PORT = _host("--host", "the pages and the API"), _port("--port", 8750, "Their")
DOOR_HOST, DOOR_PORT = _host("--host", "/healthz, /readyz and /metrics"), _port("--port", 0, "Their")
MQTT_HOST, MQTT_PORT = _host("--mqtt-host", "the embedded broker"), _port("--mqtt-port", 1883, "Its")


def data_and_config(command: Decorated) -> Decorated:
    return DATA(CONFIG(command))


def settings_of(config_file: Path | None) -> Settings:
    return load_settings(config_file)
