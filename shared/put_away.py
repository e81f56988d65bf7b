"""What a finished batch's record says, put away before any of its readings are thinned."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict

from pydantic import BaseModel, ConfigDict

from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.report import HeatReport
from shared.ports import ReadingsStore, Registry
from shared.times import Millis, iso

PUT_AWAY = "put_away."
_UNHEARD = {"photo", "remark"}
"""Notes that no sum asks; of remarks only the sensors that they leave out, which are facts of their own."""


class PutAway(BaseModel):
    """``closed``: the report as of the finish; ``settled``: as of ``put_away_at``, the same ever after but for its
    ``as_of`` and the words on moisture. Both hold while the facts have this digest and the pile has as many readings, those that were thinned
    away counted. ``data_hash``: of the batch record, over all readings."""

    model_config = ConfigDict(frozen=True)

    pile: str
    put_away_at: Millis
    readings: int
    facts: str
    data_hash: str
    closed: HeatReport
    settled: HeatReport
    gone_elsewhere: int = 0
    """Thinned away in the installation that this batch was brought from."""

    def instead_of(self, fresh: HeatReport, finished_at: Millis | None) -> HeatReport | None:
        """For the same instant; None = not put away for that one."""
        if fresh.as_of == finished_at:
            return self.closed
        if fresh.as_of < self.put_away_at:
            return None
        # how long ago a squeeze test was is the one thing that goes on, and no reading has a part in it
        return self.settled.model_copy(update={"as_of": fresh.as_of, "moisture": fresh.moisture})

    def words(self, gone: int) -> str:
        return (
            f"The figures are those of the whole record of {self.readings} readings, put away on {iso(self.put_away_at)[:10]}. "
            f"{gone} of them were thinned away since; the curve and the file show the others, every peak and crossing "
            "among them."
        )


def facts_digest(facts: PileFacts) -> str:
    """SHA-256 over all that the sums of a pile rest on beside its readings."""
    told = asdict(facts)
    told["notes"] = [note for note in told["notes"] if note["kind"] not in _UNHEARD]
    for many in ("placements", "turns", "notes", "calibrations"):
        told[many] = sorted(told[many], key=lambda one: str(one["id"]))
    text = json.dumps(told, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def put_away_of(registry: Registry, pile_id: str) -> PutAway | None:
    """None = there is none, or one of a program with another report."""
    held = registry.memory.get(PUT_AWAY + pile_id)
    try:
        return None if held is None else PutAway.model_validate(json.loads(held))
    except ValueError:
        return None


def thinned_batch(registry: Registry, readings: ReadingsStore, pile_id: str) -> tuple[PutAway, int] | None:
    """What was put away, and how many of the pile's readings are gone; None = none are."""
    kept = put_away_of(registry, pile_id)
    if kept is None:
        return None
    gone = readings.thinned().get(pile_id, 0) + kept.gone_elsewhere
    return (kept, gone) if gone else None


def put_away(registry: Registry, kept: PutAway) -> None:
    registry.memory.set(PUT_AWAY + kept.pile, json.dumps(kept.model_dump(), ensure_ascii=False))


def as_put_away(report: HeatReport, kept: PutAway | None, heat: PileHeat, gone: int) -> HeatReport:
    """``report`` while nothing was thinned, else what was put away while it holds, else ``report`` with a word on that.

    ``gone``: how many readings of the pile were thinned away here.
    """
    gone += 0 if kept is None else kept.gone_elsewhere
    if not gone:
        return report
    word = f"Worked out from a thinned record: {gone} readings were thinned away."
    if kept is not None:
        if kept.readings == heat.row_count() + gone and kept.facts == facts_digest(heat.facts):
            held = kept.instead_of(report, heat.facts.pile.finished_at)
            if held is not None:
                return held
            word += " The figures of the whole record are kept for its finish and for the present."
        else:
            word += f" Facts or readings were changed after the whole record was put away ({iso(kept.put_away_at)})."
    note = f"{report.coverage.note} {word}".strip()
    return report.model_copy(update={"coverage": report.coverage.model_copy(update={"note": note})})
