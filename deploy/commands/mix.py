"""`turnbell mix`: a recipe file in, what goes into the pile out."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
from pydantic import ValidationError

from deploy.commands.options import settings_of
from deploy.errors import UserError
from deploy.house import opened_house
from shared.heat.catalogue import Catalogue, UnknownId
from shared.mix.plan import FeedstockShare, MixAnswer, plan
from shared.mix.recipe import Recipe, Rows, UnknownFeedstock
from shared.own_feedstocks import all_rows


@click.command("mix")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--format", "format_", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.option(
    "--data",
    "data_dir",
    type=click.Path(path_type=Path),
    help="Know the yard's own feedstocks of this data directory too.",
)
def mix_command(file: Path, format_: str, data_dir: Path | None) -> None:
    """Work out the recipe in FILE (TOML): C:N, moisture, water to add, volumes in buckets, equal batches."""
    recipe = read_recipe(file)
    try:
        # rules are read only where one is asked for: a mistake in a rule's file is no mistake of this recipe
        rules = [Catalogue.load().rule(id_) for id_ in recipe.rule_ids] if recipe.rule_ids else []
        answer = plan(recipe, None if data_dir is None else _rows(data_dir), rules)
    except (UnknownFeedstock, UnknownId) as error:
        raise UserError(f"{file}: {error}") from None
    click.echo(answer.model_dump_json() if format_ == "json" else "\n".join(_text(answer)))


def _rows(data_dir: Path) -> Rows:
    with opened_house(data_dir, settings_of(None)) as house:
        return all_rows(house.registry)


def read_recipe(file: Path) -> Recipe:
    try:
        raw = tomllib.loads(file.read_text("utf-8"))
    except OSError as error:
        raise UserError(f"cannot read {file}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UserError(f"{file} is not TOML: {error}") from error
    except RecursionError:
        raise UserError(f"{file} is nested too deeply") from None
    try:
        return Recipe.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
        raise UserError(f"{file}: {where}: {first['msg']}" if where else f"{file}: {first['msg']}") from None


def _text(answer: MixAnswer) -> Iterator[str]:
    yield f"Mix: {_of(answer.mass_kg, 'kg')}, {_of(answer.volume_l, 'L')}, {_of(answer.bulk_density_kg_m3, 'kg/m3')}"
    rough = " (rough)" if answer.rough else ""
    yield f"C:N {_of(answer.carbon_to_nitrogen, '')}{rough}   moisture {_of(answer.moisture_percent, '%')}"
    yield f"Water to add: {_of(answer.water_to_add_kg, 'kg')}"
    yield ""
    yield from (_line(share) for share in answer.feedstocks)
    if len(answer.batches) > 1:
        yield ""
        yield f"In each of {len(answer.batches)} equal batches, water {_of(answer.batches[0].water_to_add_kg, 'kg')}:"
        yield from (_line(share) for share in answer.batches[0].feedstocks)
    if answer.free is not None:
        yield ""
        yield (
            f"{answer.free.name}: {_of(answer.free.for_moisture_kg, 'kg')} for the moisture, "
            f"{_of(answer.free.for_carbon_to_nitrogen_kg, 'kg')} for the C:N"
        )
    if answer.free_air_space_percent is not None:
        yield ""
        yield (
            f"As built: {_of(answer.as_built_density_kg_m3, 'kg/m3')}, free air space about "
            f"{_of(answer.free_air_space_percent, '%')} (estimate; volumes added up, particle densities from memory)"
        )
    for warning in answer.warnings:
        yield f"! {warning}"


def _line(share: FeedstockShare) -> str:
    buckets = "" if share.buckets is None else f"  {share.buckets:6.1f} buckets"
    parts = "" if share.parts is None else f"  {share.parts:g} parts"
    return f"  {share.name:<28} {_of(share.mass_kg, 'kg'):>12} {_of(share.volume_l, 'L'):>12}{buckets}{parts}"


def _of(value: float | None, unit: str) -> str:
    return "unknown" if value is None else f"{value:.1f} {unit}".rstrip()
