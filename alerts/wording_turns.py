"""Words about turning."""

from __future__ import annotations

from alerts.wording_cautions import opening_cautions
from alerts.wording_tale import Draft, Tale, kept
from shared.times import HOUR, Millis

BAND_MS = 90 * 60_000


def turn_soon(tale: Tale) -> Draft:
    say, due = tale.voice.say, _due(tale)
    if due is None:
        head = say("{peg} will want a turn soon.", peg=tale.peg)
        title = say("{peg} will want a turn soon", peg=tale.peg)
    else:
        head = say("{peg} wants a turn by {by}.", peg=tale.peg, by=tale.voice.time(due))
        title = say("{peg} wants a turn by {by}", peg=tale.peg, by=tale.voice.time(due, zone=False))
    return _draft(tale, title, head, _band(tale, due))


def _band(tale: Tale, due: Millis | None) -> str:
    """How far the outlook's answer may be off, where that is more than an hour or two."""
    earliest, latest = tale.instant("earliest_at"), tale.instant("latest_at")
    if due is None or earliest is None or max(due - earliest, (latest or due) - due) < BAND_MS:
        return ""
    say, time = tale.voice.say, tale.voice.time
    if latest is None:
        return say("By the outlook it may be as early as {earliest}.", earliest=time(earliest))
    return say(
        "By the outlook as early as {earliest}, as late as {latest}.",
        earliest=time(earliest, zone=False),
        latest=time(latest),
    )


def turn_due(tale: Tale) -> Draft:
    say, due = tale.voice.say, _due(tale)
    by = tale.instant("by_at")
    if by is None and due is not None and due > tale.scene.now:
        by = due
    if by is not None and by > tale.scene.now:
        head = say("{peg} wants a turn by {by}.", peg=tale.peg, by=tale.voice.time(by))
        title = say("{peg} wants a turn by {by}", peg=tale.peg, by=tale.voice.time(by, zone=False))
        return _draft(tale, title, head)
    head = say("{peg} wants a turn now.", peg=tale.peg)
    since = say("Due since {due}.", due=tale.voice.time(due)) if due is not None else ""
    return _draft(tale, say("{peg} wants a turn now", peg=tale.peg), head, since)


def turn_overdue(tale: Tale) -> Draft:
    say, due = tale.voice.say, _due(tale)
    late_h = tale.number("late_h")
    if late_h is None and due is not None:
        late_h = max(0.0, (tale.scene.now - due) / HOUR)
    since = ""
    if due is not None and late_h is not None:
        since = say(
            "Due since {due}, {late} late.", due=tale.voice.time(due), late=tale.voice.span(late_h * HOUR)
        )
    head = say("{peg} is overdue: turn it now.", peg=tale.peg)
    return _draft(tale, say("{peg} is overdue: turn it now", peg=tale.peg), head, since)


def turn_found(tale: Tale) -> Draft:
    say, at, fall = tale.voice.say, tale.instant("turn_at"), tale.number("fall_k")
    when = tale.voice.time(at) if at is not None else ""
    short = tale.voice.time(at, zone=False) if at is not None else ""
    why = say("The curve looks like a turn that nobody logged; until it is confirmed it does not count.")
    fell = say("All depths fell by about {fall}.", fall=tale.voice.fall(fall)) if fall is not None else ""
    if at is None:
        title, head = say("{peg}: was it turned?", peg=tale.peg), say("{peg}: was it turned?", peg=tale.peg)
    else:
        title = say("{peg}: was it turned at {when}?", peg=tale.peg, when=short)
        head = say("{peg}: was it turned at {when}? Please confirm or decline.", peg=tale.peg, when=when)
    return Draft(title, head, kept(why, fell), done="answer_turn", aged=False)


def turn_number(tale: Tale) -> str:
    """``Turn 2 of 3.``: the turn that is asked for, among those that the guide or the rule wants."""
    counted, required = tale.number("turns_counted"), tale.number("turns_required")
    report = tale.scene.report
    if counted is None and report is not None:
        counted, required = report.turn.counted, report.turn.required
    if counted is None:
        return ""
    n, m = int(counted) + 1, int(required or 0)
    return tale.voice.say("Turn {n} of {m}.", n=n, m=m) if n <= m else tale.voice.say("Turn {n}.", n=n)


def _draft(tale: Tale, title: str, head: str, since: str = "") -> Draft:
    why = kept(since, tale.over_for(), _load(tale), turn_number(tale))
    return Draft(title, head, why, opening_cautions(tale), "log_turn")


EXPLAINED = 0.03  # hours over one threshold explain the load when they come this near to it


def _load(tale: Tale) -> str:
    """Where a pile wandered between the rungs of the guide, hours over one threshold do not explain the day."""
    load, limit, hours = tale.number("load"), tale.number("limit_h"), tale.number("hours")
    if load is None or limit == 0:
        return ""
    if limit is not None and hours is not None and abs(load - hours / limit) <= EXPLAINED:
        return ""
    say, percent = tale.voice.say, round(load * 100)
    rungs = _rungs(tale)
    if len(rungs) < 2:
        if limit is not None:
            return ""
        since = tale.since_words()
        return say("Heat {since}: {percent} % of what the guide allows.", since=since, percent=percent)
    return say(
        "{rungs} {since}: together {percent} % of what the guide allows.",
        rungs=", ".join(rungs),
        since=tale.since_words(),
        percent=percent,
    )


def _rungs(tale: Tale) -> list[str]:
    """``5 h at 55-60 (of 72 h)`` for each rung of the guide that it stood on."""
    found = tale.episode.figures.get("rungs")
    if not isinstance(found, list):
        return []
    voice, words = tale.voice, []
    for number, rung in enumerate(found):
        upper = found[number + 1]["from_c"] if number + 1 < len(found) else None
        parts = {
            "hours": voice.hours(rung["hours"]),
            "low": voice.limit(rung["from_c"]),
            "limit": voice.hours(rung["limit_h"]),
        }
        if upper is None:
            words.append(voice.say("{hours} over {low} (of {limit})", **parts))
        else:
            words.append(voice.say("{hours} at {low}-{high} (of {limit})", **parts, high=voice.limit(upper)))
    return words


def _due(tale: Tale) -> Millis | None:
    due = tale.instant("due_at")
    if due is None and tale.scene.report is not None:
        due = tale.scene.report.turn.due_at
    return due
