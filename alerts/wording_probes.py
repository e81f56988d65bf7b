"""Words about probes."""

from __future__ import annotations

from alerts.wording_tale import Draft, Tale, kept
from shared.heat.faults import EQUAL_DEPTHS, NO_VALUES, POWER_ON, STUCK
from shared.spoken import respoken
from shared.times import HOUR


def probe_silent(tale: Tale) -> Draft:
    say, voice = tale.voice.say, tale.voice
    if tale.episode.figures.get("never_heard"):
        return _never_heard(tale)
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


def _never_heard(tale: Tale) -> Draft:
    say, voice, placed = tale.voice.say, tale.voice, tale.instant("placed_at")
    since = ""
    if placed is not None:
        ago = voice.span(tale.scene.now - placed)
        since = say("Placed {when}, {span} ago, and not a word since.", when=voice.time(placed), span=ago)
    return Draft(
        say("{peg}: probe {probe} was never heard", peg=tale.peg, probe=probe_name(tale)),
        say(
            "{peg}: look after probe {probe} today, it was never heard.", peg=tale.peg, probe=probe_name(tale)
        ),
        kept(
            since,
            say("Check that it is switched on, that its name is spelt so, its credentials and the gateway."),
            say("Until it speaks nothing is known from it: check by hand."),
        ),
        aged=False,
    )


def probe_fault(tale: Tale) -> Draft:
    say, fault, depth = tale.voice.say, fault_words(tale), _depth(tale)
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
        left = say("Battery at {percent} %.", percent=number(percent, "0"))
        limit = tale.number("limit_percent")
        if limit is not None:
            left = say(
                "Battery at {percent} % (limit {limit} %).",
                percent=number(percent, "0"),
                limit=number(limit, "0"),
            )
    elif volt is not None:
        left = say("Battery at {volt} V.", volt=number(volt, "0.00"))
        limit = tale.number("limit_volt")
        if limit is not None:
            left = say(
                "Battery at {volt} V (limit {limit} V).",
                volt=number(volt, "0.00"),
                limit=number(limit, "0.00"),
            )
    name = probe_name(tale)
    head = say("{peg}: probe {probe} needs a battery this week.", peg=tale.peg, probe=name)
    if tale.episode.figures.get("empty"):
        head = say(
            "{peg}: probe {probe} needs a battery today, it may stop any hour.", peg=tale.peg, probe=name
        )
    return Draft(
        say("{peg}: probe {probe} needs a battery", peg=tale.peg, probe=name),
        head,
        kept(left),
        aged=False,
    )


def probe_name(tale: Tale) -> str:
    return tale.text("probe") or tale.episode.subject or "?"


def fault_words(tale: Tale) -> str:
    """What is wrong with a sensor, in the reader's language and units."""
    say = tale.voice.say
    known = {
        STUCK: say("stuck: no change of 0.1 K for 6 h in an active pile"),
        EQUAL_DEPTHS: say(
            "equal depths: all depths read alike for 6 h; water in the tube, or sensors mixed up"
        ),
        POWER_ON: say(
            "sensor fault or fire: check by hand (85.0 °C, repeated or supported by its neighbours)"
        ),
        NO_VALUES: say("no usable value: the last readings are all left out"),
    }
    words = tale.text("fault")
    for said, ours in known.items():
        words = words.replace(said, ours)
    return respoken(words, tale.voice.units)


def _depth(tale: Tale) -> str:
    depth = tale.episode.figures.get("depth")
    if isinstance(depth, int | float):
        return f"{tale.voice.number(float(depth))} cm"
    if isinstance(depth, str) and depth:
        return f"{depth} cm" if depth.replace(".", "", 1).isdigit() else depth
    return ""
