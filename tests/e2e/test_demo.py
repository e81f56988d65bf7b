"""`make demo` shows a newcomer the whole chain: history, live probes, a notice that arrives, a turn that answers it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from deploy.larkfield import PILES
from shared.times import DAY, MINUTE, parse_time
from tests import loopback
from tests.e2e.harness import Running, find_addresses, healthy, started, until


@pytest.fixture(scope="module")
def demo() -> Iterator[Running]:
    with started([sys.executable, "-m", "deploy", "demo", "--port", "0", "--speed", "120"]) as running:
        find_addresses(running, 180)
        until(lambda: healthy(running.web), 60, f"a healthy demo; it said: {running.output()}")
        yield running
        assert running.stop() == 0


def items(demo: Running, path: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = loopback.get(f"{demo.web}api/v1/{path}", timeout=20).json()["items"]
    return found


def heat_of(demo: Running, peg: str) -> dict[str, Any]:
    report: dict[str, Any] = loopback.get(f"{demo.web}api/v1/piles/{peg.lower()}/heat", timeout=30).json()
    return report


def test_the_history_of_six_open_and_three_finished_piles_is_there(demo: Running) -> None:
    piles = items(demo, "piles?limit=100")
    assert {str(pile["peg"]) for pile in piles} == {f"K-0{number}" for number in range(1, 10)}
    assert sum(pile["finished_at"] is None for pile in piles) == 6
    report = heat_of(demo, "K-07")
    assert report["hottest"]["hours_above"]["55"] > 300
    assert sum(turn["state"] == "confirmed" for turn in report["turns"]) == 5
    assert {rule["id"]: rule["status"] for rule in report["rules"]} == {
        "us-organic-windrow": "met",
        "three-turns": "met",
    }


def test_the_turn_that_nobody_logged_is_proposed_and_no_other(demo: Running) -> None:
    proposed = {
        pile.peg: [turn["at"] for turn in report["turns"] if turn["state"] == "proposed"]
        for pile, report in ((pile, heat_of(demo, pile.peg)) for pile in PILES if pile.finished_day is None)
    }
    (at,) = proposed.pop("K-05")
    k_05 = next(pile for pile in PILES if pile.peg == "K-05")
    unlogged = next(turn for turn in k_05.turns if not turn.logged)
    built_at = parse_time(next(str(one["built_at"]) for one in items(demo, "piles") if one["peg"] == "K-05"))
    days = (parse_time(at) - built_at) / DAY
    assert days == pytest.approx(unlogged.day - k_05.built_day, abs=30 * MINUTE / DAY)
    assert not any(proposed.values())


def test_the_turn_of_k_02_falls_due_and_its_maker_hears_of_it(demo: Running) -> None:
    until(
        lambda: [
            one
            for one in items(demo, "notices?kind=turn_due")
            if one["peg"] == "K-02" and one["state"] == "sent"
        ],
        90,
        "the notice that K-02 wants a turn",
    )
    inbox = until(
        lambda: (
            page
            if "K-02 wants a turn now" in (page := loopback.get(f"{demo.web}inbox", timeout=20).text)
            else None
        ),
        30,
        "the letter in the inbox",
    )
    assert "/inbox/" in inbox  # the picture of the heat curve came with it


def test_a_turn_that_is_logged_cools_the_simulated_pile_and_answers_the_notice(demo: Running) -> None:
    before = heat_of(demo, "K-02")
    logged = httpx.post(
        f"{demo.web}api/v1/piles/k-02/turns",
        json={"at": before["as_of"]},
        headers={"Idempotency-Key": "demo-1"},
        timeout=20,
    )
    assert logged.is_success, logged.text
    fallen = until(
        lambda: fallen_below(demo, before["hottest"]["now_c"] - 5.0), 60, "the core to fall after the turn"
    )
    assert fallen["turn"]["load"] < 0.2
    until(
        lambda: (
            not [
                one
                for one in items(demo, "episodes")
                if one["pile"] == "k-02"
                and str(one["kind"]).startswith("turn_")
                and one["state"] != "resolved"
            ]
        ),
        60,
        "the episode to be over",
    )


def fallen_below(demo: Running, celsius: float) -> dict[str, Any] | None:
    report = heat_of(demo, "K-02")
    now_c = report["hottest"]["now_c"]  # None until the first reading after the turn
    return report if now_c is not None and now_c < celsius else None


def test_every_page_says_that_its_clock_is_quick(demo: Running) -> None:
    for path in ("", "piles/k-03", "notices", "inbox"):
        assert "120" in loopback.get(f"{demo.web}{path}", timeout=30).text.split("</header>")[0]
