"""Words about a pile's heat: too much, too little, over, enough."""

from __future__ import annotations

from alerts.wording_cautions import fire_cautions, opening_cautions
from alerts.wording_probes import fault_words
from alerts.wording_tale import Draft, Tale, kept
from alerts.wording_turns import turn_number
from shared.local_words import local_words

WATER_FROM_C = 71.0  # North Carolina DEQ guidance on spontaneous combustion, 160 °F: turn now, add water
FIRE_FROM_C = 76.7  # upper edge of the US organic band, 7 CFR 205.203: hotter than biology alone should hold
NOW_FROM_C = 70.0  # the top rung of the default turning guide; common practice, no source
LOSS_FROM_C = 65.0  # Cornell Composting, "Compost Physics"


def cool_pile(tale: Tale) -> Draft:
    say, celsius = tale.voice.say, tale.hottest.celsius
    if celsius is not None and celsius > WATER_FROM_C:
        head = say("{peg} is too hot: turn it now and add water.", peg=tale.peg)
        title = say("{peg} is too hot: turn it now, add water", peg=tale.peg)
        why = say("Over {limit} it may begin to burn.", limit=tale.voice.limit(WATER_FROM_C, unit=True))
    elif celsius is not None and celsius >= NOW_FROM_C:
        head = say("{peg} is too hot: turn it now.", peg=tale.peg)
        title = say("{peg} is too hot: turn it now", peg=tale.peg)
        why = say("Over {limit} useful microbes are lost.", limit=tale.voice.limit(LOSS_FROM_C, unit=True))
    else:
        head = say("{peg} is too hot: turn or open it today.", peg=tale.peg)
        title = say("{peg} is too hot: turn or open it today", peg=tale.peg)
        why = say("Over {limit} useful microbes are lost.", limit=tale.voice.limit(LOSS_FROM_C, unit=True))
    return Draft(
        title, head, kept(tale.over_for(), why, turn_number(tale)), opening_cautions(tale), "log_turn"
    )


def fire_watch(tale: Tale) -> Draft:
    say, fault = tale.voice.say, fault_words(tale)
    head = say("{peg} may be catching fire: look at it now, from outside.", peg=tale.peg)
    doubt = say("It may also be the sensor: {fault}.", fault=fault.rstrip(".")) if fault else ""
    title = say("{peg} may be catching fire: look now", peg=tale.peg)
    return Draft(title, head, kept(tale.over_for(), *_why_fire(tale), doubt, *fire_cautions(tale)))


def _why_fire(tale: Tale) -> tuple[str, ...]:
    """Since when; and what speaks for it where the heat alone does not."""
    say, since, celsius = tale.voice.say, tale.instant("since_at"), tale.hottest.celsius
    began = say("So since {when}.", when=tale.voice.time(since)) if since is not None else ""
    reasons = tale.episode.figures.get("reasons")
    if not isinstance(reasons, list) or not reasons or (celsius is not None and celsius >= FIRE_FROM_C):
        return (began,)
    reason = local_words(str(reasons[0]), tale.voice.zone, tale.voice.units, tale.voice.time)
    return began, say("What speaks for it: {reason}.", reason=reason.rstrip("."))


def not_heating(tale: Tale) -> Draft:
    say, voice = tale.voice.say, tale.voice
    head = say("{peg} does not heat: check moisture, mix and size this week.", peg=tale.peg)
    days, target, peak = tale.number("days"), tale.number("target_c"), tale.number("peak_c")
    celsius = tale.hottest.celsius
    reached = ""
    if days is not None and target is not None:
        reached = say(
            "{days} d after it was built it has not reached {target}.",
            days=voice.number(days, "0"),
            target=voice.limit(target, unit=True),
        )
    now = say("Core {heat}.", heat=voice.heat(celsius)) if celsius is not None else ""
    top = say("Its highest was {heat}.", heat=voice.heat(peak)) if peak is not None else ""
    hint = say("The usual causes: too dry, too wet and airless, too little nitrogen, too small.")
    return Draft(say("{peg} does not heat: check it", peg=tale.peg), head, kept(reached, now, top, hint))


def cooled(tale: Tale) -> Draft:
    say, voice = tale.voice.say, tale.voice
    head = say("{peg} has cooled: its heat is over, let it cure.", peg=tale.peg)
    under, hours, turns = tale.number("threshold_c"), tale.number("hours"), tale.number("turns_counted")
    celsius = tale.hottest.celsius
    why = say("Core {heat}.", heat=voice.heat(celsius)) if celsius is not None else ""
    if celsius is not None and under is not None and hours is not None:
        why = say(
            "Core {heat}, under {under} for {hours}.",
            heat=voice.heat(celsius),
            under=voice.limit(under),
            hours=voice.hours(hours),
        )
    turned = ""
    if turns is not None:
        turned = voice.say_many("It was turned {n} time.", "It was turned {n} times.", int(turns))
    check = say("If it should still be working: check moisture by squeeze, then turn it once more.")
    return Draft(say("{peg} has cooled: let it cure", peg=tale.peg), head, kept(why, turned, check))


def rule_met(tale: Tale) -> Draft:
    say, met_at = tale.voice.say, tale.instant("met_at")
    rule = tale.text("rule") or tale.episode.subject
    edition = tale.text("edition")
    named = f"{rule} ({edition})" if edition else rule
    head = say("{peg}: the record supports {rule}.", peg=tale.peg, rule=named)
    when = say("Since {when}.", when=tale.voice.time(met_at)) if met_at is not None else ""
    read = say("As we read the rule. This is no certificate: local codes and the permit decide.")
    return Draft(
        say("{peg}: a rule is supported: {rule}", peg=tale.peg, rule=rule), head, kept(when, read), aged=False
    )
