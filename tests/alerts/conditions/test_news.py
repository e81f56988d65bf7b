from __future__ import annotations

from alerts.conditions import morning_round, rule_met, service_trouble, turn_found
from alerts.conditions.verdict import Verdict
from alerts.snapshot import ServiceState, SiteRadio, Snapshot
from shared.people import Channel
from shared.round import round_row
from shared.times import Millis
from tests.alerts.made import HOUR, MINUTE, NOW, SITE, a_pile, a_report, a_rule, a_snapshot


def test_only_rules_that_were_chosen_for_the_pile_speak() -> None:
    pile = a_pile(rule_ids=("three-turns", "us-503-psrp"))
    rules = [
        a_rule("three-turns", "met", NOW - HOUR),
        a_rule("us-503-psrp", "open"),
        a_rule("au-4454", "met", NOW),
    ]
    met, still_open = rule_met.judge(a_snapshot(pile=pile, rules=rules))
    assert (met.state, met.subject, met.severity, met.figures["met_at"]) == (
        "bad",
        "three-turns",
        "info",
        NOW - HOUR,
    )
    assert (still_open.state, still_open.subject) == ("ok", "us-503-psrp")


def test_a_rule_that_late_readings_take_back_is_a_correction() -> None:
    pile = a_pile(rule_ids=("three-turns",))
    (verdict,) = rule_met.judge(a_snapshot(pile=pile, rules=[a_rule("three-turns", "broken")]))
    assert (verdict.state, verdict.undone) == ("ok", True)


def test_every_found_turn_asks_for_itself_and_is_gone_once_answered() -> None:
    older, newer = turn_found.judge(a_snapshot(proposed=(NOW - 30 * HOUR, NOW - HOUR)))
    assert (older.state, older.subject, newer.subject) == ("bad", "2026-11-24", "2026-11-25")
    assert newer.figures["turn_at"] == NOW - HOUR
    assert turn_found.judge(a_snapshot()) == []


def service(**about: object) -> dict[str, Verdict]:
    state = ServiceState(**about)  # type: ignore[arg-type]  # by name, as it takes them
    return {v.subject: v for v in service_trouble.judge(Snapshot(NOW, service=state))}


def test_a_loop_is_in_trouble_after_a_minute_without_a_beat() -> None:
    found = service(
        quiet_loops={"ingest": 60.0, "send": 59.0, "old": 5.0}, heard_loops=frozenset({"send", "ingest"})
    )
    assert {name: v.state for name, v in found.items()} == {
        "ingest": "bad",
        "send": "ok",
        "old": "unknown",
        "store": "ok",
    }
    assert found["ingest"].figures["since_at"] == NOW - MINUTE


def test_a_store_is_in_trouble_after_a_minute_of_failing() -> None:
    assert service(store_failing_s=5.0)["store"].state == "unknown"
    assert service(store_failing_s=60.0, store_error="disk full")["store"].figures["why"] == "disk full"


def test_a_channel_that_was_given_up_is_trouble_until_it_works() -> None:
    broken = Channel(
        "c", "ada", "email", "ada@example.org", secret="hush", disabled_at=NOW, disabled_why="gone"
    )
    verdict = service(channels=(broken,))["channel c"]
    assert verdict.state == "bad"
    assert "hush" not in str(verdict)
    assert "ada@example.org" not in str(verdict)


def dark(heard_ago: int, probes: int) -> Verdict:
    radio = SiteRadio(probes, Millis(NOW - heard_ago), 10 * MINUTE)
    (verdict,) = service_trouble.judge(Snapshot(NOW, site=SITE, radio=radio))
    return verdict


def test_a_site_is_silent_when_all_of_several_probes_are() -> None:
    assert dark(29 * MINUTE, 5).state == "ok"
    assert dark(29 * MINUTE, 5).look_again_at == NOW + MINUTE
    assert dark(30 * MINUTE, 5).state == "bad"
    assert dark(30 * MINUTE, 1).state == "ok"


def test_a_morning_lists_the_piles_and_an_empty_yard_has_none() -> None:
    pile = a_pile()
    row = round_row(pile, SITE.zone, a_report(pile, state="due", load=1.0, due_at=NOW))
    (verdict,) = morning_round.judge(Snapshot(NOW, round=(row,)))
    assert (verdict.state, verdict.figures["needing"]) == ("bad", 1)
    assert morning_round.judge(Snapshot(NOW))[0].state == "ok"
