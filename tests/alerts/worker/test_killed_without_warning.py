from __future__ import annotations

from pathlib import Path

import pytest

from tests.alerts.watched import Yard
from tests.alerts.worker import killed_child
from tests.forks import Fork


@pytest.mark.parametrize(
    ("point", "count"),
    [
        ("put_notice", 1),
        ("put_notice", 4),
        ("put_episode", 1),
        ("put_episode", 4),
        ("committed", 1),
        ("committed", 2),
    ],
)
def test_whenever_it_is_killed_every_pile_is_told_once_after_the_restart(
    tmp_path: Path, point: str, count: int
) -> None:
    yard = Yard(tmp_path)
    yard.person("Ada")
    piles = [yard.pile(f"K-{number:02}") for number in range(1, 4)]
    now = yard.now
    yard.close()
    with Fork(killed_child.main, tmp_path, point, count, now) as child:
        assert child.wait(60.0) == 9
    after = Yard(tmp_path)
    after.clock.at = now + 1000  # the machine is up again a second later
    for pile in piles:
        after.is_so(pile, state="due", load=1.0, due_at=now, hottest_c=71.0)
    after.tick(times=3)
    assert after.heard_of() == [(pile.peg, "cool_pile", "first") for pile in piles]
    assert len(after.registry.episodes.unresolved()) == 2 * len(piles)
    after.close()
