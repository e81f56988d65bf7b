"""The pile that a readings file stands for: its facts, and what was assumed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from deploy.errors import UserError
from shared.heat.facts import PileFacts
from shared.heat.report import HeatReport
from shared.piles import Pile, Placement, Turn
from shared.reading_files import FILE_SITE, FileTurn, ReadingsFile
from shared.times import Millis, Span, iso, to_datetime

PILE_ID = "file"


@dataclass(frozen=True, slots=True)
class FilePile:
    file: Path
    readings: ReadingsFile
    pile: Pile
    turns: tuple[Turn, ...]
    as_of: Millis
    before_build: int  # readings that the build leaves out
    turns_outside: int

    @property
    def facts(self) -> PileFacts:
        probes = sorted({sensor.probe for sensor in self.readings.curves})
        placements = tuple(
            Placement(probe, FILE_SITE, probe, PILE_ID, Span(self.pile.built_at), position="") for probe in probes
        )  # fmt: skip
        return PileFacts(self.pile, placements, self.turns)

    def named(self, report: HeatReport) -> HeatReport:
        """A file's pile has no id."""
        return report.model_copy(update={"pile": None})

    def basis(
        self, turns: Path | None, built_given: bool, zone: str, max_gap_minutes: float
    ) -> tuple[str, ...]:
        """What the figures rest on, in sentences."""

        def at(instant: Millis) -> str:
            return to_datetime(instant, zone).strftime("%Y-%m-%d %H:%M")

        read = self.readings
        sensors = len(read.curves)
        sentences = [
            f"{read.rows} row{'s' * (read.rows != 1)} for {sensors} sensor{'s' * (sensors != 1)}; times are written in {zone}.",
            f"Built {at(self.pile.built_at)}."
            if built_given
            else f"No build time was given: the first reading, {at(self.pile.built_at)}, stands for it (--built).",
            f"{len(self.turns)} recorded turns, from {turns.name}."
            if turns is not None
            else "No turns were given (--turns): the record is read as never turned.",
            f"Straight lines between readings at most {max_gap_minutes:g} min apart; longer gaps count as nothing.",
            *self._leftovers(),
        ]
        return tuple(sentences)

    def _leftovers(self) -> Sequence[str]:
        read = self.readings
        words = []
        if faults := sum(read.faults.values()):
            words.append(f"{faults} cells hold no number; they count as faults of their sensors.")
        if read.repeats:
            words.append(f"{read.repeats} rows repeat an instant with the same value.")
        if read.differing:
            words.append(f"{read.differing} rows repeat an instant with another value; the first was kept.")
        if read.unordered:
            words.append("The rows are not in order of time; they were put in order.")
        if self.before_build:
            words.append(f"{self.before_build} readings from before the build are left out.")
        if self.turns_outside:
            words.append(f"{self.turns_outside} turns from before the build are left out.")
        return words


def pile_of(
    file: Path, readings: ReadingsFile, logged: Sequence[FileTurn], built_at: Millis | None
) -> FilePile:
    firsts = [int(curve.at[0]) for curve in readings.curves.values() if len(curve)]
    lasts = [int(curve.at[-1]) for curve in readings.curves.values() if len(curve)]
    if not firsts:
        raise UserError(f"{file}: no cell holds a reading")
    built = Millis(min(firsts)) if built_at is None else built_at
    if built > max(lasts):
        raise UserError(f"the build ({iso(built)}) is after the last reading ({iso(Millis(max(lasts)))})")
    turns = tuple(
        Turn(f"turn-{number}", PILE_ID, turn.at, note=turn.note)
        for number, turn in enumerate(logged, start=1)
        if turn.at >= built
    )
    last = max([*lasts, *(turn.at for turn in turns)])
    return FilePile(
        file=file,
        readings=readings,
        pile=Pile(PILE_ID, FILE_SITE, "", built),
        turns=turns,
        as_of=Millis(last),
        before_build=sum(int((curve.at < built).sum()) for curve in readings.curves.values()),
        turns_outside=len(logged) - len(turns),
    )
