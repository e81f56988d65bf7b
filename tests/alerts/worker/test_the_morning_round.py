from __future__ import annotations

from pathlib import Path

import pytest

from shared.people import Subscription
from shared.settings import Settings
from shared.times import DAY, HOUR, MINUTE, Millis, iso, parse_time, to_datetime
from tests.alerts.watched import Yard


def a_yard(tmp_path: Path, at: str, morning: str = "07:00") -> Yard:
    yard = Yard(tmp_path, Settings.model_validate({"notices": {"morning_round": morning}}))
    yard.clock.at = parse_time(at)
    return yard


def test_the_round_comes_once_a_day_at_the_persons_own_time(tmp_path: Path) -> None:
    yard = a_yard(tmp_path, "2026-11-25T02:00:00Z")
    yard.person("Ada", zone="Europe/Dublin")
    yard.person("Ben", zone="Europe/Helsinki")
    yard.person("Cor", zone="Europe/Dublin", kinds=("turn_due",))
    yard.pile()
    yard.pass_time(2 * DAY)
    assert [iso(n.at) for n in yard.told("Ada")] == ["2026-11-25T07:00:00Z", "2026-11-26T07:00:00Z"]
    assert [iso(n.at) for n in yard.told("Ben")] == ["2026-11-25T05:00:00Z", "2026-11-26T05:00:00Z"]
    assert yard.told("Cor") == []
    assert {n.kind for n in yard.told()} == {"morning_round"}
    assert "no pile needs hands" in yard.told("Ada")[0].text
    yard.close()


@pytest.mark.parametrize(
    ("night", "morning", "instants"),
    [
        ("2026-10-24T12:00:00Z", "07:00", ["2026-10-25T07:00:00Z", "2026-10-26T07:00:00Z"]),
        ("2026-03-28T12:00:00Z", "07:00", ["2026-03-29T06:00:00Z", "2026-03-30T06:00:00Z"]),
        # half past one comes twice in the autumn, and not at all in the spring
        ("2026-10-24T12:00:00Z", "01:30", ["2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"]),
        ("2026-03-28T12:00:00Z", "01:30", ["2026-03-29T01:30:00Z", "2026-03-30T00:30:00Z"]),
    ],
)
def test_both_nights_of_the_clock_change_have_one_round(
    tmp_path: Path, night: str, morning: str, instants: list[str]
) -> None:
    yard = a_yard(tmp_path, night, morning)
    yard.person("Ada", zone="Europe/Dublin")
    yard.pile(built_at=yard.now - DAY)
    yard.pass_time(45 * HOUR, step=10 * MINUTE)
    assert [iso(n.at) for n in yard.told() if n.kind == "morning_round"] == instants
    yard.close()


def test_a_restart_in_the_morning_neither_repeats_nor_loses_it(tmp_path: Path) -> None:
    yard = a_yard(tmp_path, "2026-11-25T06:50:00Z")
    yard.person("Ada")
    yard.pile()
    yard.tick()
    yard.clock.at += 30 * MINUTE  # down at seven o'clock
    yard.restart()
    yard.tick()
    yard.restart()
    yard.pass_time(2 * HOUR)
    assert [iso(n.at) for n in yard.told()] == ["2026-11-25T07:20:00Z"]
    yard.close()


def test_a_yard_without_open_piles_has_no_round(tmp_path: Path) -> None:
    yard = a_yard(tmp_path, "2026-11-25T06:50:00Z")
    yard.person("Ada")
    yard.pass_time(HOUR)
    assert yard.rows() == []
    yard.close()


def test_there_is_no_round_on_a_day_off(tmp_path: Path) -> None:
    yard = a_yard(tmp_path, "2026-11-27T02:00:00Z")  # a Friday
    yard.person("Ada", on_duty="Mon-Fri 08:00-18:00")
    yard.pile()
    yard.pass_time(4 * DAY, step=HOUR)
    days = [
        to_datetime(Millis(n.not_before or n.at), "Europe/Dublin").strftime("%a %H:%M") for n in yard.told()
    ]
    assert days == ["Fri 08:00", "Mon 08:00"]
    yard.close()


def test_a_person_of_one_site_hears_of_its_piles_alone(tmp_path: Path) -> None:
    yard = a_yard(tmp_path, "2026-11-25T06:50:00Z")
    ada = yard.person("Ada", subscribed=False)
    yard.registry.people.subscribe(Subscription("s", ada.id, site="larkfield"))
    yard.pile()
    yard.pass_time(HOUR)
    (notice,) = yard.told()
    assert [row["peg"] for row in notice.figures["rows"]] == ["K-01"]
    yard.close()
