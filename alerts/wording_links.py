"""The links of a message: what each is for, how it is signed, and the lines that invite to tap it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from alerts.wording_tale import Draft, Tale, kept
from shared.episodes import Episode
from shared.links import LinkAct, LinkPurpose, link_address, link_key, make_link, usable_public_url
from shared.people import Person
from shared.ports import Memory
from shared.times import Millis

LinkFor = Callable[[LinkAct], str]
"""The address for an act, "" when there is none to give."""

LinkWriter = Callable[[Episode, Person, Millis], LinkFor]


def link_writer(memory: Memory, public_url: str | None) -> LinkWriter:
    """Makes the ``link_for`` of a message about ``episode`` to ``person``, good until ``expires_at``."""
    key = link_key(memory)

    def writer(episode: Episode, person: Person, expires_at: Millis) -> LinkFor:
        def link_for(act: LinkAct) -> str:
            if act == "open" and episode.pile_id is None:
                return f"{public_url.rstrip('/')}/" if public_url and usable_public_url(public_url) else ""
            purpose = LinkPurpose(act, episode.pile_id, episode.id, person.id, expires_at)
            return link_address(public_url, make_link(key, purpose))

        return link_for

    return writer


def links_of(draft: Draft, link_for: LinkFor) -> dict[str, str]:
    links = {"open": link_for("open")}
    if draft.done is not None:
        links["done"] = link_for(draft.done)
    if draft.done not in {None, "answer_turn"}:  # an answer is all that is asked for
        links["seen"] = link_for("acknowledge")
    return {name: address for name, address in links.items() if address}


def done_lines(tale: Tale, draft: Draft, links: Mapping[str, str]) -> tuple[str, ...]:
    if "done" not in links or draft.done not in {"log_turn", "answer_turn"}:
        return ()
    say, link = tale.voice.say, links["done"]
    return (say("Done? {link}", link=link) if draft.done == "log_turn" else say("Answer: {link}", link=link),)


def invitations(tale: Tale, links: Mapping[str, str], *, many: bool) -> tuple[str, ...]:
    say = tale.voice.say
    seen = ""
    if "seen" in links:
        seen = (
            say("Seen, and on it, all of it? {link}", link=links["seen"])
            if many
            else say("Seen, and on it? {link}", link=links["seen"])
        )
    look = say("Look: {link}", link=links["open"]) if "open" in links else ""
    return kept(seen, look)
