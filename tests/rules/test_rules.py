"""Every rule against constructed histories: met, one millisecond or one turn short, broken."""

from __future__ import annotations

import pytest

from shared.heat.facts import LeftOut
from shared.times import DAY, HOUR, MINUTE, Millis, Span
from tests.rules.flat_record import BUILT, CATALOGUE, FIVE, SHORT, FlatRecord, Piece, hot, read

# id, threshold, days, turns that are enough; the figures are those of the heat sheet's table of rules, whose sources
# stand in each rule's own file
HELD = [
    ("us-503-pfrp-windrow", 55.0, 15.0, FIVE),
    ("us-503-pfrp-vessel", 55.0, 3.0, ()),
    ("us-organic-windrow", 55.0, 15.0, FIVE),
    ("us-organic-vessel", 55.0, 3.0, ()),
    ("us-ca-windrow", 55.0, 15.0, FIVE),
    ("us-ca-static", 55.0, 3.0, ()),
    ("de-bioabfv-2012", 55.0, 14.0, ()),
    ("de-bioabfv-2012", 60.0, 6.0, ()),
    ("de-bioabfv-2012", 65.0, 3.0, ()),
    ("uk-catering-windrow", 60.0, 8.0, (2.0, 4.0, 6.0)),
    ("uk-catering-vessel", 60.0, 2.0, ()),
    ("uk-catering-vessel", 70.0, 1 / 24, ()),
    ("eu-cmc3", 70.0, 3.0, ()),
    ("eu-cmc3", 65.0, 5.0, ()),
    ("eu-cmc3", 60.0, 7.0, ()),
    ("eu-cmc3", 55.0, 14.0, ()),
    ("ca-ccme-windrow", 55.0, 15.0, FIVE),
    ("uk-pas100", 65.0, 7.0, (2.0, 4.0)),
]


@pytest.mark.parametrize(("rule_id", "celsius", "days", "turns"), HELD)
def test_it_is_met_at_the_very_millisecond(
    rule_id: str, celsius: float, days: float, turns: tuple[float, ...]
) -> None:
    reading = read(rule_id, days, celsius, turns)
    assert reading.status == "met"
    assert reading.met_at == BUILT + round(days * DAY) + len(turns) * 10 * MINUTE
    assert reading.missing == []
    assert "This record supports" in reading.reading


@pytest.mark.parametrize(("rule_id", "celsius", "days", "turns"), HELD)
def test_one_millisecond_short_is_not_met(
    rule_id: str, celsius: float, days: float, turns: tuple[float, ...]
) -> None:
    reading = read(rule_id, days - SHORT, celsius, turns)
    assert reading.status == "open"
    assert reading.met_at is None
    assert any("1 ms more" in line for line in reading.missing)


@pytest.mark.parametrize(("rule_id", "celsius", "days", "turns"), HELD)
def test_a_hair_too_cold_is_not_met(
    rule_id: str, celsius: float, days: float, turns: tuple[float, ...]
) -> None:
    assert read(rule_id, days, celsius - 1e-6, turns).status == "open"


@pytest.mark.parametrize(("rule_id", "celsius", "days", "turns"), [case for case in HELD if case[3]])
def test_one_turn_short_is_not_met(
    rule_id: str, celsius: float, days: float, turns: tuple[float, ...]
) -> None:
    reading = read(rule_id, days, celsius, turns[:-1])
    assert reading.status == "open"
    assert reading.have["turns"] == len(turns) - 1
    assert any("1 more turn" in line for line in reading.missing)


@pytest.mark.parametrize(("rule_id", "celsius", "days", "turns"), HELD)
def test_a_finished_pile_that_fell_short_is_broken_for_good(
    rule_id: str, celsius: float, days: float, turns: tuple[float, ...]
) -> None:
    reading = read(rule_id, days - SHORT, celsius, turns, finished=True)
    assert reading.status == "broken"
    assert "finished" in reading.missing[0]
    assert read(rule_id, days, celsius, turns, finished=True).status == "met"


@pytest.mark.parametrize("rule_id", [id_ for id_, rule in CATALOGUE.rules.items() if rule.contiguous])
def test_a_strict_stretch_that_breaks_starts_anew(rule_id: str) -> None:
    rule = CATALOGUE.rules[rule_id]
    way = rule.alternative[0]
    half = way.need_ms * 2 // 3
    celsius = 60.0
    pieces: list[Piece] = [(0, half, celsius), (half, half + 1, 20.0), (half + 1, half * 2, celsius)]
    reading = FlatRecord([pieces]).read(rule_id, half * 2)
    assert reading.status == "open"
    assert reading.have["longest_stretch_hours"] == pytest.approx(half / HOUR)
    assert reading.have["hours"] == reading.have["longest_stretch_hours"]
    assert reading.have["hours_in_all"] > reading.have["hours"]


@pytest.mark.parametrize(
    "rule_id", [id_ for id_, rule in CATALOGUE.rules.items() if rule.alternative and not rule.contiguous]
)
def test_where_no_stretch_is_asked_the_time_adds_up_over_breaks(rule_id: str) -> None:
    rule = CATALOGUE.rules[rule_id]
    way = rule.alternative[0]
    half = way.need_ms // 2
    rest = way.need_ms - half
    pieces: list[Piece] = [
        (0, half, way.at_least_c),
        (half, half + HOUR, 20.0),
        (half + HOUR, half + HOUR + rest, way.at_least_c),
    ]
    turns = (
        [(index + 1) * way.need_ms // (rule.turns.at_least + 2) for index in range(rule.turns.at_least)]
        if rule.turns
        else []
    )
    if rule.turns and rule.turns.spacing_days:
        turns = [index * 2 * DAY + DAY for index in range(3)]
    assert FlatRecord([pieces], turns).read(rule_id, half + HOUR + rest).status == "met"


def test_what_a_strict_rule_would_say_without_the_word_stands_beside_it() -> None:
    days = 15
    gap: list[Piece] = [(0, 7 * DAY, 60.0), (8 * DAY, (days + 1) * DAY, 60.0)]
    turns = [DAY * day for day in (1, 2, 3, 4, 5)]
    reading = FlatRecord([gap], turns).read("us-503-pfrp-windrow", (days + 1) * DAY)
    assert reading.status == "open"
    assert reading.have["if_not_contiguous"]["met_at"] == "2026-01-17T00:00:00Z"


def test_an_hour_over_the_organic_band_does_not_count() -> None:
    """7 CFR 205.203(c)(2): 131-170 °F; 170 °F = 76.7 °C (arithmetic)."""
    over: list[Piece] = [(0, HOUR, 76.8), (HOUR, 3 * DAY, 60.0)]
    assert FlatRecord([over]).read("us-organic-vessel", 3 * DAY).status == "open"
    at_edge: list[Piece] = [(0, HOUR, 76.7), (HOUR, 3 * DAY, 60.0)]
    assert FlatRecord([at_edge]).read("us-organic-vessel", 3 * DAY).status == "met"


def test_one_sensor_over_the_band_takes_the_time_from_all() -> None:
    hottest: list[Piece] = [(0, HOUR, 80.0), (HOUR, 3 * DAY, 60.0)]
    steady: list[Piece] = [(0, 3 * DAY, 60.0)]
    reading = FlatRecord([hottest, steady]).read("us-organic-vessel", 3 * DAY)
    assert reading.have["hours"] == 71.0
    assert reading.have["hottest"]["hours"] == 71.0


@pytest.mark.parametrize(("ratio", "inside"), [(24.9, False), (25, True), (40, True), (40.1, False)])
def test_the_starting_mix_must_lie_in_the_organic_window(ratio: float, inside: bool) -> None:
    """7 CFR 205.203(c)(2): a C:N between 25:1 and 40:1 to begin with."""
    pieces, turns = hot(15, 60, FIVE)
    reading = FlatRecord([pieces], turns, start_carbon_to_nitrogen=ratio).read(
        "us-organic-windrow", pieces[-1][1]
    )
    assert reading.status == ("met" if inside else "broken")
    assert inside or "outside 25:1 to 40:1" in reading.missing[0]


def test_an_unknown_starting_mix_is_said_not_to_be_judged() -> None:
    reading = read("us-organic-windrow", 15, 60, FIVE)
    assert "Not judged here: the C:N of the mix as built, 25:1 to 40:1" in reading.reading


@pytest.mark.parametrize(("hot_h", "status"), [(4.0, "met"), (4.0 - 1 / HOUR, "open")])
def test_psrp_wants_four_hours_at_55_inside_five_days_at_40(hot_h: float, status: str) -> None:
    """310 CMR 32.80(4), which copies 40 CFR 503 Appendix B."""
    top = round(hot_h * HOUR)
    pieces: list[Piece] = [(0, 2 * DAY, 40.0), (2 * DAY, 2 * DAY + top, 55.0), (2 * DAY + top, 5 * DAY, 40.0)]
    reading = FlatRecord([pieces]).read("us-503-psrp", 5 * DAY)
    assert reading.status == status
    if status == "met":
        assert reading.met_at == BUILT + 5 * DAY


def test_psrp_four_hours_spread_over_more_than_five_days_are_not_enough() -> None:
    pieces: list[Piece] = [
        (0, 2 * HOUR, 55.0), (2 * HOUR, 6 * DAY, 45.0), (6 * DAY, 6 * DAY + 2 * HOUR, 55.0),
    ]  # fmt: skip
    reading = FlatRecord([pieces]).read("us-503-psrp", 6 * DAY + 2 * HOUR)
    assert reading.status == "open"
    assert any("2 h of 4 h" in line for line in reading.missing)


def test_psrp_is_met_when_the_last_hot_minute_falls_into_the_five_days() -> None:
    pieces: list[Piece] = [(0, 6 * DAY, 45.0), (6 * DAY, 6 * DAY + 5 * HOUR, 58.0)]
    reading = FlatRecord([pieces]).read("us-503-psrp", 6 * DAY + 5 * HOUR)
    assert reading.met_at == BUILT + 6 * DAY + 4 * HOUR


def test_psrp_breaks_where_the_forty_degrees_break() -> None:
    pieces: list[Piece] = [(0, 4 * DAY, 60.0), (4 * DAY, 4 * DAY + HOUR, 39.9), (4 * DAY + HOUR, 8 * DAY, 60.0)]  # fmt: skip
    assert FlatRecord([pieces]).read("us-503-psrp", 8 * DAY).status == "open"


def test_the_coldest_sensor_judges_and_the_hottest_stands_beside() -> None:
    core: list[Piece] = [(0, 3 * DAY, 60.0)]
    edge: list[Piece] = [(0, DAY, 50.0), (DAY, 3 * DAY, 60.0)]
    reading = FlatRecord([core, edge]).read("us-503-pfrp-vessel", 3 * DAY)
    assert reading.status == "open"
    assert reading.have["hours"] == 48.0
    assert reading.have["hottest"]["hours"] == 72.0
    assert reading.have["hottest"]["met_at"] == "2026-01-04T00:00:00Z"
    assert "the coldest decides" in reading.reading


def test_a_silent_sensor_leaves_the_coldest_unknown() -> None:
    core: list[Piece] = [(0, 3 * DAY, 60.0)]
    silent: list[Piece] = [(0, DAY, 60.0)]
    assert FlatRecord([core, silent]).read("us-503-pfrp-vessel", 3 * DAY).have["hours"] == 24.0


def test_a_sensor_left_out_by_name_is_told_with_its_reason() -> None:
    out = LeftOut("probe-1", "45", "burnt out", Span(Millis(BUILT + DAY)))
    reading = FlatRecord([[(0, 3 * DAY, 60.0)]], left_out=(out,)).read("us-503-pfrp-vessel", 3 * DAY)
    assert "probe-1 45 from 2026-01-02 00:00 UTC on: burnt out" in reading.reading


def test_a_pile_without_readings_has_no_hours_rather_than_none_at_all() -> None:
    reading = FlatRecord([[]]).read("us-503-pfrp-vessel", DAY)
    assert reading.status == "open"
    assert reading.have["hours"] is None
    assert "nothing is known yet" in reading.missing[0]


def test_a_rule_whose_zone_has_no_sensor_is_not_applicable() -> None:
    record = FlatRecord([[(0, 20 * DAY, 60.0)]], zone="edge")
    assert record.read("us-503-pfrp-windrow", 20 * DAY).status == "not_applicable"
    assert record.read("de-bioabfv-2012", 20 * DAY).status == "met"


def test_no_reading_of_a_rule_ever_promises_more_than_the_record() -> None:
    for rule_id, rule in CATALOGUE.rules.items():
        reading = read(rule_id, 20, 70, (3, 6, 9, 12, 15))
        words = " ".join([reading.reading, reading.title, *reading.missing]).lower()
        assert "certif" not in words
        assert "complian" not in words
        assert rule.edition in reading.reading
        assert reading.source
        if rule.source_status == "from memory, unverified":
            assert "unverified" in reading.reading


def test_every_rule_of_the_sheet_is_there() -> None:
    assert set(CATALOGUE.rules) == {case[0] for case in HELD} | {"us-503-psrp", "three-turns", "au-4454"}
    assert len(CATALOGUE.rules) == 15
