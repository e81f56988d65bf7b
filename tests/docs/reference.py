"""Writes the reference pages of ``shared/help`` from the program itself: `make reference`."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import click
from pydantic import BaseModel

import shared
from deploy.cli import turnbell
from shared.heat.catalogue import Catalogue
from shared.heat.guide import Guide
from shared.heat.report import HeatReport
from shared.heat.rule_data import Rule
from shared.settings import Settings
from tests.docs.reference_http import http

HELP = Path(shared.__file__).parent / "help"
WRITTEN = "Written by `make reference` from the program; do not edit it by hand."
CONFIG_INTRO = (
    "A TOML file given with `--config`. `TURNBELL_SECTION_KEY` in the environment overrides `[section] key`. "
    "For secrets, `key_file` in the file or `TURNBELL_SECTION_KEY_FILE` in the environment names a file that holds "
    "the value. An unknown key is refused."
)
RULES_INTRO = (
    "Files in the folders `rules` and `guides` of the data directory stand beside these, or take their place when "
    "they have the same id. What a file may hold: [rule](rule.schema.json), [guide](guide.schema.json), as JSON Schema."
)


def pages() -> dict[str, Callable[[], str]]:
    return {
        "reference_commands.md": commands,
        "reference_config.md": config,
        "reference_rules.md": rules,
        "reference_http.md": http,
        "heat_report.schema.json": lambda: _schema(HeatReport),
        "rule.schema.json": lambda: _schema(Rule),
        "guide.schema.json": lambda: _schema(Guide),
    }


def _schema(model: type[BaseModel]) -> str:
    return json.dumps(model.model_json_schema(), indent=1, ensure_ascii=False) + "\n"


# -- commands


def commands() -> str:
    parts = ["# Commands", WRITTEN, "Exit status: 0 done, 1 the surroundings failed, 2 the caller's mistake."]
    for path, context in _walk(turnbell, "turnbell"):
        parts += [f"## {path}", f"```text\n{context.get_help()}\n```"]
    return "\n\n".join(parts) + "\n"


def _walk(command: click.Command, path: str) -> Iterator[tuple[str, click.Context]]:
    context = click.Context(
        command, info_name=path, terminal_width=90, max_content_width=90, help_option_names=["-h", "--help"]
    )
    yield path, context
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            if inner is not None:
                yield from _walk(inner, f"{path} {name}")


# -- configuration


def config() -> str:
    parts = [
        "# Configuration",
        WRITTEN,
        CONFIG_INTRO,
    ]
    for section, field in Settings.model_fields.items():
        parts.append(f"## [{section}]")
        model = field.annotation
        if isinstance(model, type) and issubclass(model, BaseModel):
            parts.append(_table(("key", "takes", "when absent", ""), list(_keys(model))))
        else:
            parts.append(f"{field.description or ''}.")
    return "\n\n".join(parts) + "\n"


def _keys(model: type[BaseModel]) -> Iterator[tuple[str, ...]]:
    for key, schema in model.model_json_schema()["properties"].items():
        absent = schema.get("default")
        yield f"`{key}`", _takes(schema), "" if absent is None else str(absent), schema.get("description", "")


def _takes(schema: dict[str, Any]) -> str:
    if "anyOf" in schema:
        return _takes(next(way for way in schema["anyOf"] if way.get("type") != "null"))
    if "enum" in schema:
        return " or ".join(f"`{value}`" for value in schema["enum"])
    if schema.get("format") == "time":
        return "`HH:MM`"
    if schema.get("format") in {"password", "path"}:
        return {"password": "secret text", "path": "a file's path"}[schema["format"]]
    if "items" in schema:
        return f"a list of {_takes(schema['items'])}"
    return {"string": "text", "integer": "whole number", "number": "number", "boolean": "true or false"}.get(
        schema.get("type", ""), "a table"
    )


# -- rules and guides


def rules() -> str:
    catalogue = Catalogue.load()
    asked = [
        (f"`{one.id}`", one.title, one.edition, one.source, one.source_status)
        for one in catalogue.rules.values()
    ]
    turned = [
        (
            f"`{one.id}`",
            one.title,
            "; ".join(f"from {rung.from_c:g} °C {_hold(rung.hold_h)}" for rung in one.rungs),
            one.source,
            one.source_status,
        )
        for one in catalogue.guides.values()
    ]
    return (
        "\n\n".join(
            [
                "# Rules and guides as data",
                WRITTEN,
                RULES_INTRO,
                "## Rules",
                _table(("id", "title", "edition", "source", "status of the source"), asked),
                "## Guides",
                _table(("id", "title", "turn after", "source", "status of the source"), turned),
            ]
        )
        + "\n"
    )


def _hold(hours: float) -> str:
    return "at once" if hours == 0 else f"after {hours:g} h"


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


if __name__ == "__main__":
    for file, write in pages().items():
        (HELP / file).write_text(write(), "utf-8")
        print(HELP / file)
