"""import: what brings readings in from a file."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from deploy.commands.options import data_and_config, settings_of
from deploy.errors import UserError
from deploy.house import opened_house
from deploy.importing import find_pile, import_file, read_file, take_back
from shared.import_preview import Preview, preview_of
from shared.reading_files import ReadingsFile
from shared.times import iso


@click.command("import")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), required=False)
@click.option("--pile", "pile_name", help="The pile's id, or its peg.")
@click.option("--zone", help="IANA zone of times without an offset, such as Europe/Dublin.")
@click.option("--probe", help="The columns are depths of this one probe.")
@click.option("--preview", is_flag=True, help="Say what was understood and store nothing.")
@click.option("--undo", "undone", metavar="ID", help="Take back an import by the id that it printed.")
@data_and_config
def import_command(
    file: Path | None, pile_name: str | None, zone: str | None, probe: str | None, preview: bool, undone: str | None,
    data_dir: Path, config_file: Path | None,
) -> None:  # fmt: skip
    """Read FILE (CSV, long or wide) into a pile; the same file twice stores nothing twice."""
    with opened_house(data_dir, settings_of(config_file)) as house:
        if undone is not None:
            taken = take_back(house.registry, house.readings, undone)
            click.echo(f"{taken} readings taken back; what was there before the import stays.")
            return
        if file is None or pile_name is None:
            raise UserError("name a FILE and its pile (--pile), or an import to take back (--undo)")
        pile, now = find_pile(house.registry, pile_name), house.clock.now()
        if preview:
            read = read_file(file, pile, zone=zone, probe=probe)
            click.echo("\n".join(preview_lines(read, preview_of(house.registry, read, pile, now))))
            return
        done = import_file(
            house.registry, house.readings, file, pile, zone=zone, probe=probe, now=now, progress=_show
        )  # fmt: skip
    click.echo(
        f"{done.stored} readings stored for {pile.peg}, {done.known} were there already, {done.refused} refused for "
        f"their time, {done.faults} cells held no number. Probes: {', '.join(done.probes)}."
    )
    if done.placed_probes:
        click.echo(f"Placed in {pile.peg} for the time they cover: {', '.join(done.placed_probes)}.")
    click.echo(f"To take it back: turnbell import --undo {done.id}")


def _show(count: int, total: int) -> None:
    """For who waits at a screen."""
    if sys.stderr.isatty():
        click.echo(f"\r{count} of {total} readings", err=True, nl=count == total)


def preview_lines(read: ReadingsFile, found: Preview) -> Iterator[str]:
    marks = {",": "commas", ";": "semicolons", "\t": "tabs"}
    shape = "wide, a column for each sensor" if read.wide else "long, a row for each reading"
    yield f"{found.rows} rows, {shape}, divided by {marks[read.delimiter]}, in {'°F' if read.units == 'fahrenheit' else '°C'}."
    for one in found.sensors:
        first, last = (iso(at) if at is not None else "-" for at in (one.first_at, one.last_at))
        heat = "no readings" if one.low_c is None else f"{one.low_c:.1f} to {one.high_c:.1f} °C"
        yield f"  {one.probe} {one.depth}: {one.count} readings, {first} to {last}, {heat}, {one.faults} faults"
    yield from found.notes
    if found.clash:
        yield f"It cannot be stored: {found.clash}"
