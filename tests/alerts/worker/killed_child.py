"""A watch that dies without warning.

At the point ``put_notice`` or ``put_episode``: the process is gone before that call for the ``left``-th time;
``committed``: right after the ``left``-th transaction.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from shared.ports import Registry
from tests.alerts.watched import Yard


def main(folder: Path, point: str, left: int, now: int) -> None:
    yard = Yard(folder)
    yard.clock.at = now

    def reached() -> None:
        nonlocal left
        left -= 1
        if left == 0:
            os._exit(9)

    def counted(call: Callable[..., Any]) -> Callable[..., Any]:
        def called(*args: Any) -> Any:
            reached()
            return call(*args)

        return called

    registry: Any = yard.registry
    if point == "put_notice":
        registry.notices.put = counted(registry.notices.put)
    elif point == "put_episode":
        registry.episodes.put = counted(registry.episodes.put)
    else:
        begin = registry.begin

        @contextmanager
        def beginning() -> Iterator[Registry]:
            with begin() as tx:
                yield tx
            reached()

        registry.begin = beginning
    for pile in yard.registry.piles.all():
        yard.is_so(pile, state="due", load=1.0, due_at=yard.now, hottest_c=71.0)
    yard.tick(times=3)
    yard.close()
