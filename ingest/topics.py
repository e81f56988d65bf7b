"""Where a message came from, read off its topic."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal, NamedTuple

Kind = Literal["readings", "status"]

READINGS_FILTER = "turnbell/+/+/readings"
STATUS_FILTER = "turnbell/+/+/status"
OWN_TOPICS = "turnbell/.ingest/"
"""What ingesters send themselves; matched by the filters above, and no site's."""

_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")


class Origin(NamedTuple):
    """One probe of one site."""

    site: str
    probe: str


class Topic(NamedTuple):
    origin: Origin
    kind: Kind


class TopicError(ValueError):
    """A topic of nobody's, or a site or probe name outside the contract."""


def is_name(text: object) -> bool:
    """Whether ``text`` may stand as a site or a probe: 1-64 of A-Z a-z 0-9 _ -."""
    return isinstance(text, str) and _NAME.fullmatch(text) is not None


@lru_cache(maxsize=65_536)
def parse_topic(topic: str) -> Topic:
    """Split ``turnbell/<site>/<probe>/readings`` or ``.../status``; raise TopicError for anything else."""
    parts = topic.split("/")
    if len(parts) != 4 or parts[0] != "turnbell":
        raise TopicError("the topic is not turnbell/<site>/<probe>/readings or .../status")
    _, site, probe, kind = parts
    for what, name in (("site", site), ("probe", probe)):
        if not is_name(name):
            raise TopicError(f"the {what} in the topic must be 1-64 of A-Z a-z 0-9 _ -")
    if kind == "readings":
        return Topic(Origin(site, probe), "readings")
    if kind == "status":
        return Topic(Origin(site, probe), "status")
    raise TopicError("the topic must end in readings or status")


def topic_matches(pattern: str, topic: str) -> bool:
    """MQTT's own filter rule, ``+`` and a closing ``#``."""
    wanted, found = pattern.split("/"), topic.split("/")
    for place, level in enumerate(wanted):
        if level == "#":
            return not (place == 0 and topic.startswith("$"))
        if place >= len(found) or level not in ("+", found[place]):
            return False
    return len(wanted) == len(found)
