"""Everything a condition or a message may know, gathered once for one instant. Nothing here reads a store.

A message is made by ``alerts.wording.compose(episode, snapshot, person, step_reason, link_for, also=())``:
``step_reason`` is one of ``STEP_REASONS``; ``link_for("open" | "done")`` gives an address, or "" when there is none;
``also`` are the other episodes of the same pile that this one message has to tell of, the most pressing first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from shared.heat.guide import Guide
from shared.heat.report import HeatReport
from shared.ids import made_at
from shared.people import Channel
from shared.piles import Pile, Placement, Site, Turn
from shared.probes import Probe
from shared.settings import BatteryCells
from shared.times import MINUTE, Millis

if TYPE_CHECKING:
    from shared.round import RoundRow

StepReason = Literal["first", "worse", "reminder", "escalated", "resolved", "corrected"]
STEP_REASONS: tuple[StepReason, ...] = ("first", "worse", "reminder", "escalated", "resolved", "corrected")
"""``resolved``: it is over. ``corrected``: readings or entries that came late show that it never was so."""

LEAST_SILENCE_MS = 30 * MINUTE
MISSED_INTERVALS = 3  # so many intervals without a word and a probe is silent
UNKNOWN_INTERVAL_MS = 60 * MINUTE  # assumed until one is learnt


@dataclass(frozen=True, slots=True)
class PlacedProbe:
    """A probe that stands in the pile now. ``probe`` None: placed, but nothing was ever heard of it."""

    placement: Placement
    probe: Probe | None

    @property
    def name(self) -> str:
        return self.placement.probe

    @property
    def heard_at(self) -> Millis | None:
        """Its last word, or the moment it was placed when that is later; None when it never spoke."""
        if self.probe is None or self.probe.last_heard_at is None:
            return None
        return Millis(max(self.probe.last_heard_at, self.placement.span.start))

    @property
    def interval_ms(self) -> int:
        learnt = self.probe.interval_ms if self.probe else None
        return learnt or UNKNOWN_INTERVAL_MS

    @property
    def silence_ms(self) -> int:
        """How long without a word makes it silent."""
        return max(LEAST_SILENCE_MS, MISSED_INTERVALS * self.interval_ms)

    @property
    def awaited_at(self) -> Millis:
        """From when on a probe that never spoke is waited for: when it was placed, or when that was entered."""
        return Millis(max(self.placement.span.start, made_at(self.placement.id) or 0))

    @property
    def deadline_at(self) -> Millis:
        since = self.awaited_at if self.heard_at is None else self.heard_at
        return Millis(since + self.silence_ms)


@dataclass(frozen=True, slots=True)
class SiteRadio:
    """What is heard of a whole site: of all probes that stand in its open piles and have spoken before."""

    probes: int
    heard_at: Millis  # the last word of any of them
    shortest_interval_ms: int

    @property
    def doubtful_at(self) -> Millis:
        """From here on so little is heard that a single silent probe may be the whole site's silence beginning."""
        return Millis(self.heard_at + self.shortest_interval_ms * 3 // 2)

    @property
    def dark_at(self) -> Millis:
        return Millis(self.heard_at + max(LEAST_SILENCE_MS, MISSED_INTERVALS * self.shortest_interval_ms))


@dataclass(frozen=True, slots=True)
class ServiceState:
    """The machine's own health. Seconds are the machine's, whatever clock the site runs on."""

    quiet_loops: Mapping[str, float] = field(default_factory=dict)
    """Every loop that ever beat -> seconds since; ``heard_loops`` are those that beat since this watch began."""
    heard_loops: frozenset[str] = frozenset()
    store_failing_s: float | None = None
    store_error: str = ""
    channels: tuple[Channel, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One pile (``pile`` and ``report`` set), one site (``radio``), the service (``service``) or one person's morning
    (``round``), as it is at ``now``. ``site`` None: the service itself, or a round over several sites."""

    now: Millis
    site: Site | None = None
    pile: Pile | None = None
    report: HeatReport | None = None
    probes: tuple[PlacedProbe, ...] = ()
    turns: tuple[Turn, ...] = ()
    guide: Guide | None = None
    radio: SiteRadio | None = None
    service: ServiceState | None = None
    cells: BatteryCells | None = None  # what the probes run on, if someone said so
    round: tuple[RoundRow, ...] = ()
    ahead_ms: int = 0
    """Someone is being called to this site for a turn: turns that are wanted within so long are said along with it."""
    takes_effect_at: Millis | None = None
    """When the first of what is in the stores already comes true: a reading, a turn, an end by a clock that is ahead."""

    @property
    def zone(self) -> str:
        return self.site.zone if self.site else "UTC"
