"""Words about the service itself, and the morning's list."""

from __future__ import annotations

from alerts.wording_tale import Draft, Tale, kept
from shared.round import RoundRow
from shared.round_verdict import Need, hottest_figure

LISTED = 20  # piles named in one morning message; the page has the rest


def service_trouble(tale: Tale) -> Draft:
    say, part = tale.voice.say, tale.text("part") or tale.episode.subject
    if part == "radio":
        return _site_silent(tale)
    name, began = part_name(tale), _since(tale)
    why = tale.text("why")
    what = say("What it says: {why}.", why=why.rstrip(".")) if why else ""
    if part == "channel":
        mend = say("Mend it, then try it from the page of people: a trial that works switches it on again.")
        head = say("{part} does not work: look after it today.", part=name)
        return Draft(say("{part} does not work", part=name), head, kept(began, what, mend))
    blind = say("Until it runs again, piles may need hands without a message. Check them by hand.")
    head = say("{part} has stopped: look after the service now.", part=name)
    return Draft(say("{part} has stopped", part=name), head, kept(began, what, blind))


def part_name(tale: Tale) -> str:
    """The part of the service in words."""
    say = tale.voice.say
    part = tale.text("part") or tale.episode.subject
    kind = tale.text("channel_kind")
    names = {
        "ingest": say("The ingester (readings)"),
        "watch": say("The watcher (notices)"),
        "send": say("The sender (messages)"),
        "store": say("The store"),
        "broker": say("The broker"),
        "channel": say("A channel ({kind})", kind=kind) if kind else say("A channel"),
    }
    return names.get(part) or part or say("A part of the service")


def _site_silent(tale: Tale) -> Draft:
    say, count = tale.voice.say, tale.number("probes")
    which = ""
    if count is not None:
        which = tale.voice.say_many("{n} probe is silent.", "{n} probes are silent.", int(count))
    return Draft(
        say("{site}: no probe is heard", site=tale.peg),
        say("{site}: no probe is heard, look after the gateway now.", site=tale.peg),
        kept(
            which,
            _since(tale),
            say("All at once means the gateway, its power or the network rather than the probes."),
            say("Until then check the hot piles by hand."),
        ),
    )


def _since(tale: Tale) -> str:
    since = tale.instant("since_at")
    if since is None:
        return ""
    ago = tale.voice.span(tale.scene.now - since)
    return tale.voice.say("Since {when}, {span} ago.", when=tale.voice.time(since), span=ago)


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
