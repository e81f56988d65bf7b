"""How not to be hurt: said wherever a message sends someone to open a hot pile.

Sources: bioaerosols: HSE, "Composting"; the rest is common practice, no source.
"""

from __future__ import annotations

from alerts.wording_tale import Tale

HOT_C = (
    55.0  # from here on a pile is hot enough that steam and dust come out of it; common practice, no source
)


def opening_cautions(tale: Tale) -> tuple[str, ...]:
    celsius = tale.hottest.celsius
    if celsius is not None and celsius < HOT_C:
        return ()
    say = tale.voice.say
    return (
        say(
            "Take care: steam burns when a hot core is opened. Stand upwind, wear a fitted mask, damp the dust, and"
            " never work alone beside machinery. With asthma or weak immune defence, leave it to others."
        ),
        say("Smoke or a burnt smell: do not open it, call the fire service. Local codes decide."),
    )


def fire_cautions(tale: Tale) -> tuple[str, ...]:
    say = tale.voice.say
    return (
        say(
            "Smoke, venting or a burnt smell: call the fire service first. Do not open the pile without water and a"
            " machine at hand, air feeds it. Nobody walks on the pile: there may be hollows."
        ),
        say(
            "A falling or failed reading at this heat does not prove that it cools: a burnt sensor or a dry hollow"
            " reads wrong. Check by hand from the side, upwind. Local codes and licensed practice decide."
        ),
    )
