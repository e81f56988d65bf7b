"""What the words of every kind are made from, and what they come to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from alerts.wording_voice import Voice, instant_of, number_of
from shared.episodes import Episode
from shared.heat.guide import Guide
from shared.heat.report import HeatReport
from shared.links import LinkAct
from shared.piles import Pile, Site
from shared.round import RoundRow
from shared.round_verdict import Figure, hottest_figure
from shared.times import Millis


class Scene(Protocol):
    """What the words need of a snapshot."""

    @property
    def now(self) -> Millis: ...
    @property
    def pile(self) -> Pile | None: ...
    @property
    def site(self) -> Site | None: ...
    @property
    def report(self) -> HeatReport | None: ...
    @property
    def guide(self) -> Guide | None: ...
    @property
    def round(self) -> tuple[RoundRow, ...]: ...


@dataclass(frozen=True, slots=True)
class Draft:
    """``head`` is the first line: what it is about, what to do, by when. ``title`` says the same in fewer words."""

    title: str
    head: str
    why: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    done: LinkAct | None = "acknowledge"
    aged: bool = True  # it speaks of the pile's heat, so it says how old the figures are


@dataclass(frozen=True, slots=True)
class Tale:
    """One episode as one person hears it."""

    episode: Episode
    scene: Scene
    voice: Voice

    @property
    def peg(self) -> str:
        """The pile's peg; for trouble that is no pile's, the site's name."""
        if self.scene.pile is not None:
            return self.scene.pile.peg
        if self.scene.site is not None:
            return self.scene.site.name
        return self.episode.site or "Turnbell"

    @property
    def hottest(self) -> Figure:
        """The core figure that this message quotes, and whether it is fresh enough to stand for the present."""
        found = hottest_figure(self.scene.report) if self.scene.report else Figure(None, None, fresh=False)
        celsius = self.number("hottest_c")
        at = self.instant("measured_at")
        if celsius is None:
            return found
        return Figure(celsius, at if at is not None else found.at, found.fresh or found.at is None)

    def number(self, name: str) -> float | None:
        return number_of(self.episode.figures, name)

    def instant(self, name: str) -> Millis | None:
        return instant_of(self.episode.figures, name)

    def text(self, name: str) -> str:
        value = self.episode.figures.get(name)
        return value.strip() if isinstance(value, str) else ""

    def over_for(self) -> str:
        """``Core 66.8 °C, over 65 for 22 h (limit 24 h).`` as far as it is known."""
        celsius, over, hours = self.hottest.celsius, self.number("threshold_c"), self.number("hours")
        limit = self.number("limit_h")
        if celsius is None:
            return ""
        if over is None or hours is None:
            return self._since_the_turn(celsius)
        parts = {
            "heat": self.voice.heat(celsius),
            "over": self.voice.limit(over),
            "hours": self.voice.hours(hours),
        }
        if celsius < over:
            return self._was_over(parts, limit)
        if limit is None:
            return self.voice.say("Core {heat}, over {over} for {hours}.", **parts)
        if limit == 0:
            return self.voice.say("Core {heat}, over {over} for {hours} (limit: turn at once).", **parts)
        limits = self.voice.hours(limit)
        return self.voice.say("Core {heat}, over {over} for {hours} (limit {limit}).", **parts, limit=limits)

    def _was_over(self, parts: dict[str, str], limit: float | None) -> str:
        parts |= {"since": self.since_words()}
        if not limit:
            return self.voice.say("Core {heat}; it was over {over} for {hours} {since}.", **parts)
        return self.voice.say(
            "Core {heat}; it was over {over} for {hours} {since} (limit {limit}).",
            **parts,
            limit=self.voice.hours(limit),
        )

    def since_words(self) -> str:
        """What the hours are counted from."""
        turned = self.instant("last_turn_at") is not None
        return self.voice.say("since the last turn") if turned else self.voice.say("since it was built")

    def _since_the_turn(self, celsius: float) -> str:
        say, heat, hours = self.voice.say, self.voice.heat(celsius), self.number("hours_above_55_since_turn")
        if hours is None:
            return say("Core {heat}.", heat=heat)
        parts = {"heat": heat, "over": self.voice.limit(55.0), "hours": self.voice.hours(hours)}
        parts["since"] = self.since_words()
        allowed = self.scene.guide.hold_h(celsius) if self.scene.guide is not None else None
        if not allowed:
            return say("Core {heat}, over {over} for {hours} {since}.", **parts)
        return say(
            "Core {heat}, over {over} for {hours} {since} (the guide allows {limit} at this heat).",
            **parts,
            limit=self.voice.hours(allowed),
        )


Teller = Callable[[Tale], Draft]


def kept(*lines: str) -> tuple[str, ...]:
    """The lines that have something to say."""
    return tuple(line for line in lines if line)
