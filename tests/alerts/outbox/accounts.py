"""What the outbox says of a notice."""

from __future__ import annotations

from alerts.outbox_elsewhere import REASON
from shared.notices import Notice
from shared.ports import Registry


def state(registry: Registry, id_: str = "n-1") -> str:
    return registry.notices.get(id_).state


def copies(registry: Registry, episode_id: str = "e-1") -> list[Notice]:
    return [found for found in registry.notices.of_episode(episode_id) if found.reason == REASON]
