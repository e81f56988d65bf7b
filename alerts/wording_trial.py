"""Words that stand outside any episode: the trial of a channel, and a message passed on."""

from __future__ import annotations

from alerts.wording_voice import Voice, voice_for
from shared.people import ChannelKind, Person
from shared.times import Millis


def trial(person: Person, now: Millis) -> tuple[str, str]:
    """Title and text of a trial message."""
    voice = voice_for(person, now)
    title = voice.say("Turnbell can reach you here")
    told = voice.say("This is a trial. Nothing has to be done.")
    when = voice.say("Sent at {when}.", when=voice.time(now))
    return title, f"{title}.\n{told}\n{when}"


def passed_on(reader: Person, meant_for: Person, kind: ChannelKind, why: str, now: Millis) -> str:
    """The line that explains why ``reader`` gets this message by this way."""
    voice = voice_for(reader, now)
    way = _way(voice, kind)
    if reader.id == meant_for.id:
        return voice.say("You get it this way because {way} does not work: {why}.", way=way, why=why)
    return voice.say(
        "You get it because {name} cannot be reached by {way}: {why}.", name=meant_for.name, way=way, why=why
    )


def _way(voice: Voice, kind: ChannelKind) -> str:
    names: dict[ChannelKind, str] = {
        "email": voice.say("email"),
        "webhook": voice.say("webhook"),
        "mqtt": voice.say("MQTT"),
        "url": voice.say("push service"),
    }
    return names[kind]
