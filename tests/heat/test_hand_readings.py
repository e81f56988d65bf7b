"""Hand readings: a track of their own where no probe stands, nothing but a mark where one does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat.facts import PileFacts
from shared.heat.hand import BY_HAND
from shared.heat.hand_tracks import hand_tracks
from shared.heat.report import HeatReport
from shared.piles import FieldNote, NoteKind, Placement
from shared.readings import Curve, SensorKey
from shared.times import HOUR, MINUTE, Millis, Span
from tests.heat.book_yard import Yard
from tests.heat.piles import BUILT, GAP, curve, facts, placed, sensor, steady

CATALOGUE = Catalogue.load()


def note(hours: float, kind: NoteKind, **figures: object) -> FieldNote:
    return FieldNote(f"{kind}@{hours}", "pile", kind, Millis(BUILT + round(hours * HOUR)), figures=figures)


def by_hand(readings: Iterable[tuple[float, float]], depth_cm: float | None = 45) -> list[FieldNote]:
    depth = {} if depth_cm is None else {"depth_cm": depth_cm}
    return [note(hours, "hand_reading", celsius=celsius, **depth) for hours, celsius in readings]


def report(
    held: PileFacts, hours: float, curves: dict[SensorKey, Curve] | None = None, rules: tuple[str, ...] = ()
) -> HeatReport:
    return heat_report(
        held, curves or {}, Millis(BUILT + round(hours * HOUR)), CATALOGUE.default_guide,
        [CATALOGUE.rules[id_] for id_ in rules], GAP,
    )  # fmt: skip


def hand_pile(*notes: FieldNote, turns: tuple[int, ...] = ()) -> PileFacts:
    return replace(facts([], turns), notes=notes)


def test_a_pile_read_by_hand_alone_gets_the_same_report() -> None:
    # 20 to 60 °C in 24 h: at or over 55 from 21 h on; then 60 °C until 72 h. By arithmetic 3 + 48 h.
    found = report(hand_pile(*by_hand([(0, 20), (24, 60), (48, 60), (72, 60)])), 72)
    assert found.hottest.hours_above["55"] == pytest.approx(51, abs=1e-9)
    assert found.coldest.hours_above["55"] == pytest.approx(51, abs=1e-9)
    assert found.hottest.peak_c == 60
    assert found.phase == "hot"
    assert found.turn.load == pytest.approx(3 / 72 + 48 / 48)  # 3 h in 55-60, 48 h at 60: the guide's table
    assert [(one.probe, one.depth_cm, one.readings) for one in found.sensors] == [(BY_HAND, 45.0, 4)]
    assert found.max_gap_minutes == 26 * 60


def test_its_lower_coverage_is_said() -> None:
    found = report(hand_pile(*by_hand([(24, 50), (48, 60)])), 96)
    assert found.coverage.by == "hand"
    assert found.coverage.hand_readings == 2
    assert found.coverage.known_share == pytest.approx(0.25)
    assert "2 hand readings" in found.coverage.note
    assert "26 h" in found.coverage.note
    assert "25%" in found.coverage.note


def test_a_rule_says_that_it_was_read_by_hand() -> None:
    daily = by_hand((24.0 * day, 60.0) for day in range(8))
    (reading,) = report(hand_pile(*daily), 168, rules=("us-503-pfrp-vessel",)).rules
    assert reading.status == "met"
    assert "by hand" in reading.reading
    assert "was not seen" in reading.reading


def test_longer_than_a_day_and_two_hours_gives_no_credit() -> None:
    at_26 = report(hand_pile(*by_hand([(0, 60), (26, 60)])), 26)
    over_26 = report(hand_pile(*by_hand([(0, 60), (26.1, 60)])), 27)
    assert at_26.hottest.hours_above["55"] == pytest.approx(26)
    assert over_26.hottest.hours_above["55"] == 0
    assert over_26.sensors[0].gap_hours == pytest.approx(26.1)


def test_a_turn_ends_the_line_of_the_hand_readings_too() -> None:
    held = hand_pile(*by_hand([(0, 60), (20, 60), (30, 60), (40, 60)]), turns=(25 * HOUR,))
    found = report(held, 40)
    assert found.hottest.hours_above["55"] == pytest.approx(20 + 10)


def test_two_depths_are_two_sensors_and_the_coldest_asks_both() -> None:
    deep, shallow = by_hand([(0, 60), (20, 60)]), by_hand([(0, 50), (10, 50), (20, 58)], depth_cm=20)
    found = report(hand_pile(*deep, *shallow), 20)
    assert found.hottest.hours_above["55"] == pytest.approx(20)
    assert found.coldest.hours_above["55"] == pytest.approx(10 * 3 / 8)  # 50 to 58 over 10 h, over 55 for 3/8


def test_a_reading_without_a_depth_counts() -> None:
    found = report(hand_pile(*by_hand([(0, 60), (12, 60)], depth_cm=None)), 12)
    assert found.hottest.hours_above["55"] == pytest.approx(12)
    assert found.sensors[0].depth_cm is None


def test_beside_a_probe_hand_readings_change_no_figure() -> None:
    curves = {sensor(): curve(steady(72, 58.0))}
    alone = facts([placed()])
    beside = replace(alone, notes=tuple(by_hand([(1, 64), (20, 63), (40, 30), (71, 60)])))
    assert report(beside, 72, curves) == report(alone, 72, curves)


def test_before_a_probe_comes_the_hand_readings_count_and_keep_their_own_gap() -> None:
    held = replace(
        facts([placed(start=48 * HOUR)]), notes=tuple(by_hand([(0, 60), (24, 60), (47, 60), (60, 70)]))
    )
    found = report(held, 72, {sensor(): curve(steady(24, 58.0, start_h=48))})
    assert found.coverage.by == "both"
    assert found.max_gap_minutes == 180
    assert found.hottest.hours_above["55"] == pytest.approx(47 + 24)
    assert found.hottest.hours_above["70"] == 0, "the one beside the probe takes no part"
    assert found.coldest.hours_above["55"] == pytest.approx(47 + 24)


def test_a_thermometer_in_the_air_is_no_probe_in_the_pile() -> None:
    held = replace(facts([placed("air", zone="ambient")]), notes=tuple(by_hand([(0, 60), (12, 60)])))
    assert report(held, 12).hottest.hours_above["55"] == pytest.approx(12)


def test_an_85_read_by_hand_is_believed() -> None:
    found = report(hand_pile(*by_hand([(0, 60), (12, 85.0), (24, 62)])), 24)
    assert found.hottest.peak_c == 85.0
    assert found.sensors[0].suspect == 0
    assert report(hand_pile(*by_hand([(0, 60), (12, 85.0)])), 12.5).risk.level == "danger"


def test_a_report_of_the_past_knows_no_later_reading() -> None:
    held = hand_pile(*by_hand([(0, 60), (12, 60), (24, 66)]))
    found = report(held, 12)
    assert found.hottest.peak_c == 60
    assert found.coverage.hand_readings == 2


def test_the_book_says_the_same_as_afresh_whatever_came_when(yard: Yard) -> None:
    yard.now = Millis(BUILT + 48 * HOUR)
    for hours in (36, 0, 12, 47):
        one = note(hours, "hand_reading", celsius=50.0 + hours / 4, depth_cm=45)
        yard.registry.piles.add_note(replace(one, pile_id="pile-2"))
        assert yard.said("pile-2") == yard.afresh("pile-2")
    assert yard.book.report("pile-2", yard.now).coverage.hand_readings == 4
    early = Millis(BUILT + 13 * HOUR)
    assert yard.book.report("pile-2", early).coverage.hand_readings == 2
    stay = Placement("stay-2", "larkfield", "P-02", "pile-2", Span(Millis(BUILT + 30 * HOUR)), "middle")
    yard.registry.probes.place(stay)
    yard.hear(SensorKey("larkfield", "P-02", "45"), 30, *[61.0] * 100, step_ms=10 * MINUTE)
    assert yard.said("pile-2") == yard.afresh("pile-2")
    found = yard.book.report("pile-2", yard.now)
    assert found.coverage.hand_readings == 2
    assert found.coverage.by == "both"


def test_one_core_read_at_changing_depths_is_one_track() -> None:
    # 60 °C at 45 cm, 62 at 50, 58 at 40, a day apart: 72 h at or over 55 °C, whatever the depth of the day
    held = hand_pile(*by_hand([(0, 60), (72, 60)]), *by_hand([(24, 62)], 50), *by_hand([(48, 58)], 40))
    found = report(held, 72)
    assert found.hottest.hours_above["55"] == pytest.approx(72)
    assert found.coldest.hours_above["55"] == pytest.approx(72)
    (one,) = found.sensors
    assert (one.depth_cm, one.level, one.readings) == (None, "40 to 50 cm", 4)
    assert "40 to 50 cm is one track" in found.coverage.note
    assert "may be the depth's" in found.coverage.note


@pytest.mark.parametrize(
    ("depths", "tracks"),
    [
        ((45, 60), ["45 to 60 cm"]),
        ((45, 61), ["45", "61"]),  # too far apart
        ((40, 50, 56), ["40 to 50 cm", "56"]),  # no chain: all of a track within 15 cm
        ((20, 25), ["20", "25"]),  # near the skin a few centimetres are many degrees
        ((28, 32), ["28", "32"]),
        ((45, None), ["45", "depth not noted"]),  # nobody knows where that was
    ],
)
def test_what_lies_near_is_one_track_and_what_does_not_is_not(
    depths: tuple[float | None, ...], tracks: list[str]
) -> None:
    notes = [one for day, depth in enumerate(depths) for one in by_hand([(24.0 * day, 60.0)], depth)]
    found = report(hand_pile(*notes), 96).sensors
    assert sorted(one.level or f"{one.depth_cm:g}" for one in found) == tracks


def test_depths_read_in_one_visit_were_read_to_tell_them_apart() -> None:
    both = [*by_hand([(0, 62), (24, 62)]), *by_hand([(0.1, 50), (24.1, 50)], 35)]
    found = report(hand_pile(*both, *by_hand([(48, 62)])), 48)
    assert [one.depth_cm for one in found.sensors] == [35, 45]
    assert found.coldest.hours_above["55"] == 0
    assert "one track" not in found.coverage.note


def test_a_reading_beside_a_probe_parts_no_track() -> None:
    early = [*by_hand([(0, 60), (40, 60)]), *by_hand([(20, 60)], 50)]
    beside = [*by_hand([(60, 60)]), *by_hand([(60.1, 60)], 50)]
    held = replace(facts([placed(start=48 * HOUR)]), notes=(*early, *beside))
    assert report(held, 47).hottest.hours_above["55"] == pytest.approx(40)
    assert report(held, 72, {sensor(): curve(steady(24, 58.0, start_h=48))}).hottest.hours_above[
        "55"
    ] == pytest.approx(64)


visits = st.lists(
    st.tuples(
        st.integers(0, 6 * 24),
        st.sampled_from([None, 15.0, 28, 30, 38.5, 40, 45, 50, 60, 75]),
        st.floats(15, 85),
    ),
    max_size=30,
)


@settings(max_examples=60)
@given(visits, st.data())
def test_any_order_of_the_notes_gives_the_same_report(
    rows: list[tuple[int, float | None, float]], data: st.DataObject
) -> None:
    notes = [
        replace(one, id=f"{number}")
        for number, (hour, depth, celsius) in enumerate(rows)
        for one in by_hand([(hour, celsius)], depth)
    ]
    mixed = data.draw(st.permutations(notes))
    assert report(hand_pile(*mixed), 144) == report(hand_pile(*notes), 144)


@given(
    st.dictionaries(
        st.integers(10, 90).map(str), st.sets(st.integers(0, 200), min_size=1, max_size=4), max_size=9
    )
)
def test_a_track_is_narrow_deep_and_never_of_one_visit(read: dict[str, set[int]]) -> None:
    at = {depth: np.array(sorted(hours), dtype=np.int64) * (HOUR // 4) for depth, hours in read.items()}
    tracks = hand_tracks(at)
    assert tracks.keys() == at.keys()
    assert hand_tracks(dict(reversed(at.items()))) == tracks
    for one, other in combinations(at, 2):
        if tracks[one] == tracks[other]:
            assert abs(int(one) - int(other)) <= 15
            assert min(int(one), int(other)) >= 30
            assert np.abs(at[one][:, None] - at[other][None, :]).min() >= HOUR


def test_the_book_follows_when_a_depth_joins_a_track_or_parts_it(yard: Yard) -> None:
    yard.now = Millis(BUILT + 60 * HOUR)
    for hours, depth in ((0, 45), (40, 45), (20, 50), (20.2, 40), (20.4, 45)):
        one = note(hours, "hand_reading", celsius=60.0, depth_cm=depth)
        yard.registry.piles.add_note(replace(one, pile_id="pile-2"))
        assert yard.said("pile-2") == yard.afresh("pile-2")
    assert [s.depth_cm for s in yard.book.report("pile-2", yard.now).sensors] == [40, 45, 50]
