"""Words for the end of an episode: it is over, or it never was."""

from __future__ import annotations

from alerts.wording_probes import probe_name
from alerts.wording_service import part_name
from alerts.wording_tale import Draft, Tale, kept
from shared.episodes import NoticeKind


def settled(tale: Tale) -> Draft:
    say = tale.voice.say
    peg, kind = tale.peg, tale.episode.kind
    heads: dict[NoticeKind, str] = {
        "turn_soon": say("{peg}: nothing to do, the turn is settled", peg=peg),
        "turn_due": say("{peg}: nothing to do, the turn is settled", peg=peg),
        "turn_overdue": say("{peg}: nothing to do, the turn is settled", peg=peg),
        "cool_pile": say("{peg}: nothing to do, no longer too hot", peg=peg),
        "fire_watch": say("{peg}: the fire alarm has ended", peg=peg),
        "not_heating": say("{peg}: nothing to do, it heats now", peg=peg),
        "cooled": say("{peg}: heating again after all", peg=peg),
        "rule_met": say("{peg}: no longer supported: {rule}", peg=peg, rule=_rule(tale)),
        "probe_silent": say("{peg}: nothing to do, heard again", peg=peg),
        "probe_fault": say("{peg}: probe {probe} reads well again", peg=peg, probe=probe_name(tale)),
        "battery_low": say("{peg}: probe {probe} has power again", peg=peg, probe=probe_name(tale)),
        "turn_found": say("{peg}: the turn in question is settled", peg=peg),
        "service_trouble": say("{part} runs again", part=part_name(tale)),
        "morning_round": say("Morning round: settled"),
    }
    head = heads[kind]
    if kind == "service_trouble" and tale.text("part") == "radio":
        head = say("{site}: probes are heard again", site=peg)
    after = say("It had been open since {when}.", when=tale.voice.time(tale.episode.opened_at))
    return Draft(head, f"{head}.", kept(_because(tale), _reading(tale), after, _still(tale)), done=None)


def corrected(tale: Tale) -> Draft:
    """A rule taken back and a fire that was none are named: "nothing to do" would be wrong of either."""
    say = tale.voice.say
    late = say("Readings or entries that came late show that it never was so.")
    if tale.episode.kind == "rule_met":
        head = say("{peg}: not supported after all: {rule}", peg=tale.peg, rule=_rule(tale))
        late = say("Readings or entries that came late take it back: do not rely on the earlier message.")
    elif tale.episode.kind == "fire_watch":
        head = say("{peg}: the fire alarm rested on wrong readings", peg=tale.peg)
    else:
        head = say("{peg}: nothing to do, the last message was wrong", peg=tale.peg)
    told = say("It had been open since {when}.", when=tale.voice.time(tale.episode.opened_at))
    return Draft(head, f"{head}.", kept(late, _reading(tale), told, _still(tale)), done=None)


def _rule(tale: Tale) -> str:
    return tale.text("rule") or tale.episode.subject


def _because(tale: Tale) -> str:
    if tale.episode.resolved_reason in {"turned", "turn_logged"}:
        return tale.voice.say("A turn was logged.")
    return ""


def _reading(tale: Tale) -> str:
    celsius = tale.hottest.celsius
    if tale.scene.pile is None or celsius is None:
        return ""
    return tale.voice.say("Core {heat}.", heat=tale.voice.heat(celsius))


def _still(tale: Tale) -> str:
    if tale.episode.kind != "fire_watch":
        return ""
    return tale.voice.say("A lower reading is no proof that it cools: keep looking at it from outside.")
