"""Words about the service itself, and the morning's list."""

from __future__ import annotations

from alerts.wording_tale import Draft, Tale, kept
from shared.round import Need, RoundRow, hottest_figure
from shared.times import HOUR

LISTED = 20  # piles named in one morning message; the page has the rest


def service_trouble(tale: Tale) -> Draft:
    say, voice = tale.voice.say, tale.voice
    part = part_name(tale)
    since, why = tale.instant("since_at"), tale.text("why")
    began = ""
    if since is not None:
        ago = voice.span((tale.scene.now - since) / HOUR * HOUR)
        began = say("Since {when}, {span} ago.", when=voice.time(since), span=ago)
    what = say("What it says: {why}.", why=why.rstrip(".")) if why else ""
    blind = say("Until it runs again, piles may need hands without a message. Check them by hand.")
    return Draft(
        say("{part} has stopped", part=part),
        say("{part} has stopped: look after the service now.", part=part),
        kept(began, what, blind),
    )


def part_name(tale: Tale) -> str:
    """The part in words; the channel with its owner's words where it is a channel."""
    say = tale.voice.say
    part = tale.text("part") or tale.episode.subject
    names = {
        "ingest": say("The ingester (readings)"),
        "watch": say("The watcher (notices)"),
        "send": say("The sender (messages)"),
        "store": say("The store"),
        "broker": say("The broker"),
        "channel": say("A channel"),
    }
    return names.get(part) or names.get(part.partition(":")[0]) or part or say("A part of the service")


def morning_round(tale: Tale) -> Draft:
    say, rows = tale.voice.say, tale.scene.round
    hands = [row for row in rows if row.need in {"danger", "now", "check", "soon"}]
    if not hands:
        title = say("Morning round: no pile needs hands")
        return Draft(title, f"{title}.", kept(_quiet(tale, len(rows))), done=None)
    title = tale.voice.say_many(
        "Morning round: {n} pile of {all} needs hands",
        "Morning round: {n} piles of {all} need hands",
        len(hands),
        all=len(rows),
    )
    first = hands[0]
    head = say("First {peg}: {act}.", peg=first.pile.peg, act=_act(tale, first))
    lines = [_row(tale, row) for row in hands[:LISTED]]
    rest = len(hands) - LISTED
    more = tale.voice.say_many("And {n} more.", "And {n} more.", rest) if rest > 0 else ""
    return Draft(title, head, kept(*lines, more, _quiet(tale, len(rows) - len(hands))), done=None)


def _quiet(tale: Tale, n: int) -> str:
    return (
        tale.voice.say_many("{n} pile wants nothing today.", "{n} piles want nothing today.", n) if n else ""
    )


def _row(tale: Tale, row: RoundRow) -> str:
    figure = hottest_figure(row.report)
    parts = [f"{row.pile.peg}: {_act(tale, row)}"]
    if row.by is not None and row.by > tale.scene.now:
        parts.append(tale.voice.say("by {by}", by=tale.voice.time(row.by)))
    if figure.celsius is not None and figure.at is not None:
        age = tale.voice.span(tale.scene.now - figure.at)
        parts.append(tale.voice.say("core {heat}, {age} old", heat=tale.voice.heat(figure.celsius), age=age))
    if row.report.turn.required > 0 and row.need in {"now", "soon"}:
        n, m = row.report.turn.counted + 1, row.report.turn.required
        if n <= m:
            parts.append(tale.voice.say("turn {n} of {m}", n=n, m=m))
    return f"- {', '.join(parts)}"


def _act(tale: Tale, row: RoundRow) -> str:
    say = tale.voice.say
    acts: dict[Need, str] = {
        "danger": say("check for fire, from outside"),
        "now": say("turn it now"),
        "check": say("check the probe"),
        "soon": say("plan a turn"),
        "watch": say("keep an eye on it"),
        "none": say("leave it"),
    }
    return acts[row.need]
