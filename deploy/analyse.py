"""``turnbell analyse``: a heat report from files alone, by the same sums as the service."""

from __future__ import annotations

import math
import os
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click

from deploy.analyse_pile import FilePile, pile_of
from deploy.analyse_text import Sheet, report_text
from deploy.errors import UserError
from shared.file_layout import FileError
from shared.heat.catalogue import Catalogue, UnknownId
from shared.heat.compose import report_of
from shared.heat.engine import PileHeat
from shared.heat.guide import Guide
from shared.heat.report import HeatReport
from shared.reading_files import read_readings, read_turns
from shared.times import MINUTE, TimeError, parse_time, zone_of
from shared.units import Units

LONG_FILE_BYTES = 8_000_000


@dataclass(frozen=True, slots=True)
class Analysis:
    """``basis``: sentences on what the report rests on beside its own figures; ``zone``: in which times are written."""

    report: HeatReport
    heat: PileHeat
    pile: FilePile
    guide: Guide
    basis: tuple[str, ...]
    zone: str
    units: Units
    asked: tuple[str, ...]


def analyse(
    file: Path,
    *,
    turns: Path | None = None,
    built: str | None = None,
    rules: Sequence[str] = (),
    guide: str | None = None,
    zone: str | None = None,
    max_gap_minutes: float = 180.0,
    catalogue: Catalogue | None = None,
    progress: Callable[[int], None] | None = None,
) -> Analysis:
    """The report at the last reading or turn. Without ``rules`` every rule is read; without ``built`` the first
    reading stands for the build. Raises FileError, UnknownId, TimeError or UserError, each in one line."""
    catalogue = catalogue or Catalogue.load()
    chosen = [catalogue.rule(id_) for id_ in dict.fromkeys(rules)] or list(catalogue.rules.values())
    turning = catalogue.guide(guide)
    readings = read_readings(file, zone=zone, progress=progress)
    logged = read_turns(turns, zone=zone) if turns is not None else []
    built_at = parse_time(built, zone) if built is not None else None
    pile = pile_of(file, readings, logged, built_at)
    pile = replace(pile, pile=replace(pile.pile, rule_ids=tuple(rules), guide_id=turning.id))
    heat = PileHeat(pile.facts, round(max_gap_minutes * MINUTE), readings.curves)
    return Analysis(
        report=pile.named(report_of(heat, pile.as_of, turning, chosen)),
        heat=heat,
        pile=pile,
        guide=turning,
        basis=pile.basis(turns, built_at is not None, zone or "UTC", max_gap_minutes),
        zone=zone or "UTC",
        units=readings.units,
        asked=tuple(rules),
    )


def _progress(file: Path) -> Callable[[int], None] | None:
    """For long files: how far, on stderr; on one line where someone is looking."""
    if file.stat().st_size < LONG_FILE_BYTES:
        return None
    watched = sys.stderr.isatty()
    return lambda rows: click.echo(f"{chr(13) * watched}read {rows:,} rows", err=True, nl=not watched)


@click.command("analyse", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--turns", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="CSV of the turns: time[,note].")  # fmt: skip
@click.option(
    "--built", metavar="TIME", help="When the pile was built; else the first reading stands for it."
)
@click.option("--rule", "rules", metavar="ID", multiple=True, help="Read this rule at length; may be given again. Without it: all, in short.")  # fmt: skip
@click.option("--guide", metavar="ID", help="The turning guide; else the default one.")
@click.option("--zone", metavar="ZONE", help="IANA zone of times without an offset, and of the times shown.")
@click.option("--max-gap-minutes", type=click.FloatRange(min=0, min_open=True, max=1440), default=180.0, show_default=True, help="Longest line between two readings; longer gaps count as nothing.")  # fmt: skip
@click.option("--units", type=click.Choice(["celsius", "fahrenheit"]), help="Of the text and the PDF; else the file's own.")  # fmt: skip
@click.option("--explain", "explained", is_flag=True, help="Say below the text what each figure means.")
@click.option("--data", "data_dir", type=click.Path(file_okay=False, path_type=Path), help="Also read the rules/ and guides/ of this directory.")  # fmt: skip
@click.option("--format", "shape", type=click.Choice(["text", "json", "pdf"]), default="text", show_default=True)  # fmt: skip
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="Write here instead of to the terminal.")  # fmt: skip
def analyse_command(
    file: Path, turns: Path | None, built: str | None, rules: tuple[str, ...], guide: str | None, zone: str | None,
    max_gap_minutes: float, units: Units | None, explained: bool, data_dir: Path | None, shape: str,
    out: Path | None,
) -> None:  # fmt: skip
    """A heat report from FILE, a CSV of readings: long (time,probe,depth_cm,celsius) or wide (time and one column a
    sensor). Fahrenheit, levels instead of depths and any order of rows are fine. No service is needed."""
    if shape == "pdf" and out is None and sys.stdout.isatty():
        raise UserError("a PDF is no text for a terminal; say where it goes with --out FILE.pdf")
    if math.isnan(max_gap_minutes):
        raise UserError("--max-gap-minutes wants a number of minutes, such as 180")
    try:
        if zone is not None:
            zone_of(zone)
        done = analyse(
            file, turns=turns, built=built, rules=rules, guide=guide, zone=zone, max_gap_minutes=max_gap_minutes,
            catalogue=Catalogue.load(data_dir), progress=(progress := _progress(file)),
        )  # fmt: skip
    except (FileError, UnknownId, TimeError) as error:
        raise UserError(str(error)) from None
    if progress is not None and sys.stderr.isatty():
        click.echo("", err=True)
    _write(_rendered(done, shape, units or done.units, explained), out)


def _rendered(done: Analysis, shape: str, units: Units, explained: bool) -> bytes:
    if shape == "json":
        return (done.report.model_dump_json(indent=2) + "\n").encode()
    if shape == "pdf":
        from deploy.analyse_sheet import sheet_pdf  # noqa: PLC0415  # the typesetter is only loaded for a PDF

        return sheet_pdf(done, units)
    width = min(120, max(80, shutil.get_terminal_size((100, 24)).columns)) if sys.stdout.isatty() else 100
    sheet = Sheet(
        title=f"Heat record of {done.pile.file.name}",
        basis=done.basis,
        zone=done.zone,
        units=units,
        width=width,
        asked=frozenset(done.asked),
        guide=done.guide,
        explained=explained,
    )
    return report_text(done.report, sheet).encode()


def _write(content: bytes, out: Path | None) -> None:
    if out is None:
        try:
            sys.stdout.buffer.write(content)
            sys.stdout.flush()
        except BrokenPipeError:  # the reader has seen enough; nothing is left to flush at exit
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return
    try:
        out.write_bytes(content)
    except OSError as error:
        raise UserError(f"cannot write {out}: {error.strerror or error}") from error
