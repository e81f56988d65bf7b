"""An invented maker, for the simulated month: what she does on reading a message.

She sleeps from ten to six (a fire watch wakes her) and looks at her messages once an hour. What wants a turn she plans
for the daylight before it is due, two piles an hour at most; where it is due already, for the next hours of daylight. She
taps "seen" on six messages of seven. One turn in ten she forgets to log, and logs it when she is asked again. A silent or
faulty probe she walks to two to six hours later and sets right. A battery she changes the day after.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from typing import Protocol

from shared.episodes import Episode
from shared.notices import ROUND_IDS, Notice
from shared.piles import Turn, TurnSource
from shared.ports import Registry
from shared.times import DAY, HOUR, Millis, to_datetime

ZONE = "Europe/Dublin"
TURNING = {"turn_soon", "turn_due", "turn_overdue", "cool_pile"}
AN_HOUR = 2  # piles that she turns in one


class Yard(Protocol):
    """What she can lay hands on."""

    now: int
    registry: Registry
    new_battery: dict[int, int]
    silent: dict[int, int]

    def turn(self, pile_id: str) -> None: ...


class Maker:
    def __init__(self, yard: Yard, chance: random.Random) -> None:
        self._yard, self._chance = yard, chance
        self.to_turn: dict[str, int] = {}
        self.to_mend: dict[int, int] = {}  # probe number -> when
        self.forgot: dict[str, int] = {}  # pile -> a turn that she did not log
        self.deeds: Counter[str] = (
            Counter()
        )  # kind of message -> how many led to something she did or planned
        self.idle: list[Notice] = []  # those that led to nothing

    def hour(self) -> None:
        now = self._yard.now
        clock = to_datetime(Millis(now), ZONE).hour
        for episode in self._yard.registry.episodes.unresolved():
            if episode.kind == "fire_watch" and episode.state == "open":
                self._see(episode)
        if not 6 <= clock < 22:
            return
        for notice in self._yard.registry.notices.claim(Millis(now), HOUR, 10_000):
            self._yard.registry.notices.change(notice.id, state="sent", sent_at=Millis(now))
            self._read(notice)
        if 7 <= clock < 19:
            self._work(now)

    def _read(self, notice: Notice) -> None:
        episodes = [
            self._yard.registry.episodes.get(str(id_))
            for id_ in (
                notice.episode_id,
                *notice.figures.get("also_ids", ()),
                *notice.figures.get(ROUND_IDS, ()),
            )
        ]
        acted = [self._act(episode) for episode in episodes if episode.state != "resolved"]
        over = notice.reason in {"resolved", "corrected"} and self._call_off(notice)
        if any(acted) or over:
            self.deeds[notice.kind] += 1
        else:
            self.idle.append(notice)
        if self._chance.random() < 6 / 7 or notice.kind not in TURNING:
            for episode in episodes:
                self._see(self._yard.registry.episodes.get(episode.id))

    def _act(self, episode: Episode) -> bool:
        now = self._yard.now
        if episode.kind in TURNING and episode.pile_id:
            return self._plan(episode.pile_id, episode)
        if episode.kind == "turn_found" and episode.pile_id:
            self._log(episode.pile_id, int(episode.figures["turn_at"]), detected=True)
        elif episode.kind in {"probe_silent", "probe_fault"}:
            self.to_mend.setdefault(
                int(episode.subject.removeprefix("p-")), now + self._chance.randint(2, 6) * HOUR
            )
        elif episode.kind == "battery_low":
            self.new_battery(episode)
        return True

    def new_battery(self, episode: Episode) -> None:
        self._yard.new_battery[int(episode.subject.removeprefix("p-"))] = self._yard.now + DAY

    def _plan(self, pile_id: str, episode: Episode) -> bool:
        if pile_id in self.forgot:
            self._log(pile_id, self.forgot.pop(pile_id))
            return True
        due_at = int(episode.figures.get("due_at", 0)) if episode.kind == "turn_soon" else 0
        soon = self._yard.now + self._chance.randint(1, 3) * HOUR
        at = max(soon, due_at - self._chance.randint(1, 4) * HOUR)
        known = self.to_turn.get(pile_id)
        self.to_turn[pile_id] = at if known is None else min(at, known)
        return known is None or self.to_turn[pile_id] < known or episode.state == "open"

    def _call_off(self, notice: Notice) -> bool:
        """That it is over saves a walk that was planned."""
        if notice.kind in {"probe_silent", "probe_fault"}:
            return self.to_mend.pop(int(notice.figures["probe"].removeprefix("p-")), None) is not None
        return notice.kind in {"fire_watch", "rule_met"} or (
            notice.kind in TURNING and self.to_turn.pop(notice.pile_id or "", None) is not None
        )

    def _work(self, now: int) -> None:
        ready = sorted((at, pile_id) for pile_id, at in self.to_turn.items() if at <= now)
        for _, pile_id in ready[:AN_HOUR]:
            del self.to_turn[pile_id]
            self._yard.turn(pile_id)
            if self._chance.random() < 0.1:
                self.forgot[pile_id] = now
            else:
                self._log(pile_id, now)
        for number in [number for number, at in self.to_mend.items() if at <= now]:
            del self.to_mend[number]
            self._yard.silent.pop(number, None)

    def _log(self, pile_id: str, at: int, *, detected: bool = False) -> None:
        self.forgot.pop(pile_id, None)
        source: TurnSource = "detected" if detected else "logged"
        turn = Turn(f"t-{pile_id}-{at}", pile_id, Millis(at), source, by="Ada")
        if all(turn.id != known.id for known in self._yard.registry.piles.turns(pile_id)):
            self._yard.registry.piles.add_turn(turn)

    def _see(self, episode: Episode) -> None:
        """The link in the message answers for all that it tells of."""
        if episode.state == "open":
            seen = Millis(self._yard.now)
            answer = replace(episode, state="acknowledged", acknowledged_at=seen, acknowledged_by="Ada")
            self._yard.registry.episodes.put(answer)
