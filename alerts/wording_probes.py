"""Words about probes."""

from __future__ import annotations

from alerts.wording_tale import Draft, Tale, kept
from shared.times import HOUR


def probe_silent(tale: Tale) -> Draft:
    say, voice = tale.voice.say, tale.voice
    last, hours = tale.instant("last_heard_at"), tale.number("silent_h")
    if hours is None and last is not None:
        hours = max(0.0, (tale.scene.now - last) / HOUR)
    heard = ""
    if last is not None and hours is not None:
        heard = say("Last heard {when}, {span} ago.", when=voice.time(last), span=voice.span(hours * HOUR))
    celsius = tale.hottest.celsius
    return Draft(
        say("{peg}: probe {probe} is silent", peg=tale.peg, probe=probe_name(tale)),
        say("{peg}: look after probe {probe} today, it is silent.", peg=tale.peg, probe=probe_name(tale)),
        kept(
            heard,
            say("Until it speaks again nothing is known from it: check by hand."),
            say("Core {heat}.", heat=voice.heat(celsius)) if celsius is not None else "",
        ),
    )


def probe_fault(tale: Tale) -> Draft:
    say, fault, depth = tale.voice.say, tale.text("fault"), _depth(tale)
    which = f"{probe_name(tale)} ({depth})" if depth else probe_name(tale)
    what = say("What is wrong: {fault}.", fault=fault.rstrip(".")) if fault else ""
    trust = say("Do not trust its figures until someone has measured beside it.")
    return Draft(
        say("{peg}: check probe {probe} by hand", peg=tale.peg, probe=probe_name(tale)),
        say("{peg}: check probe {probe} by hand today.", peg=tale.peg, probe=which),
        kept(what, trust),
        aged=False,
    )


def battery_low(tale: Tale) -> Draft:
    say, number = tale.voice.say, tale.voice.number
    percent, volt = tale.number("battery_percent"), tale.number("battery_volt")
    left = ""
    if percent is not None:
        left = say("{percent} % left.", percent=number(percent, "0"))
        limit = tale.number("limit_percent")
        if limit is not None:
            left = say(
                "{percent} % left (limit {limit} %).", percent=number(percent, "0"), limit=number(limit, "0")
            )
    elif volt is not None:
        left = say("{volt} V left.", volt=number(volt, "0.00"))
        limit = tale.number("limit_volt")
        if limit is not None:
            left = say(
                "{volt} V left (limit {limit} V).", volt=number(volt, "0.00"), limit=number(limit, "0.00")
            )
    return Draft(
        say("{peg}: probe {probe} needs a battery", peg=tale.peg, probe=probe_name(tale)),
        say("{peg}: probe {probe} needs a battery this week.", peg=tale.peg, probe=probe_name(tale)),
        kept(left),
        aged=False,
    )


def probe_name(tale: Tale) -> str:
    return tale.text("probe") or tale.episode.subject or "?"


def _depth(tale: Tale) -> str:
    depth = tale.episode.figures.get("depth")
    if isinstance(depth, int | float):
        return f"{tale.voice.number(float(depth))} cm"
    if isinstance(depth, str) and depth:
        return f"{depth} cm" if depth.replace(".", "", 1).isdigit() else depth
    return ""
