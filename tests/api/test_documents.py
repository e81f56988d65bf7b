"""The batch record as a PDF."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace

import numpy as np
import pypdf
import pytest

from api.document_appendix import ROWS_SHOWN
from api.document_hash import data_hash
from api.documents import Setting, batch_pdf
from deploy.analyse_sheet import history_of
from shared.build_record import BuildRecord, KeptAnswer, build_note, check_note
from shared.heat.catalogue import Catalogue
from shared.heat.compose import report_of
from shared.heat.engine import PileHeat
from shared.heat.facts import PileFacts
from shared.heat.report import HeatReport
from shared.heat_book import PileHistory
from shared.piles import FieldNote, Pile, Placement, Turn
from shared.readings import Curve, SensorKey
from shared.times import DAY, HOUR, MINUTE, Millis, Span, iso, parse_time

BUILT = parse_time("2026-06-01T08:00:00Z")
CATALOGUE = Catalogue.load()
PILE = Pile("p", "larkfield", "K-03", BUILT, volume_l=1_200, kind="caged", rule_ids=("us-503-pfrp-vessel",))


def written(
    days: float = 4.0,
    celsius: float = 61.0,
    hole: tuple[float, float] | None = None,
    notes: tuple[FieldNote, ...] = (),
    step_ms: int = 10 * MINUTE,
) -> tuple[HeatReport, PileHistory]:
    at = np.arange(0, round(days * DAY) + 1, step_ms, dtype=np.int64) + BUILT
    if hole is not None:
        at = at[(at < BUILT + hole[0] * DAY) | (at > BUILT + hole[1] * DAY)]
    curve = Curve(at, np.full(len(at), celsius), np.zeros(len(at), np.uint8))
    facts = PileFacts(
        PILE, (Placement("1", "larkfield", "north", "p", Span(BUILT), "middle"),),
        (Turn("t", "p", Millis(BUILT + 2 * DAY)),), notes,
    )  # fmt: skip
    heat = PileHeat(facts, 180 * MINUTE, {SensorKey("larkfield", "north", "45"): curve} if len(at) else {})
    now = Millis(BUILT + round(days * DAY))
    rules = [CATALOGUE.rules[id_] for id_ in PILE.rule_ids]
    return report_of(heat, now, CATALOGUE.default_guide, rules), history_of(heat)


def pages(pdf: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


SETTING = Setting(
    title="K-03, Larkfield Yard", site="Larkfield Yard", zone="Europe/Dublin", rules=PILE.rule_ids
)


def test_the_page_names_the_pile_and_says_what_was_recorded() -> None:
    first = pages(batch_pdf(*written(), PILE, SETTING))[0]
    for said in (
        "K-03, Larkfield Yard", "times in Europe/Dublin", "2026-06-01 09:00", "caged, 1.2 m³", "1 recorded",
        "US biosolids, further pathogen reduction", "page 1 of",
    ):  # fmt: skip
        assert said in first


def test_the_same_record_gives_the_same_bytes() -> None:
    assert batch_pdf(*written(), PILE, SETTING) == batch_pdf(*written(), PILE, SETTING)


def test_fahrenheit_is_for_those_who_read_it() -> None:
    setting = Setting(title="K-03", units="fahrenheit", paper="us-letter")
    first = pages(batch_pdf(*written(), PILE, setting))[0]
    assert "131 °F" in first
    assert "141.8 °F" in first


def test_a_pile_nobody_has_measured_still_gets_its_page() -> None:
    report, history = written(days=0, hole=(-1, 1))
    assert not any(len(sensor.at) for sensor in history.sensors)
    first = pages(batch_pdf(report, history, PILE, SETTING))[0]
    assert "no reading is known" in first


def test_gaps_and_readings_left_out_are_listed_in_the_appendix() -> None:
    report, history = written(hole=(1.0, 1.5))
    appendix = " ".join(pages(batch_pdf(report, history, PILE, SETTING))[1:])
    assert "north 45 cm 2026-06-02 08:50 2026-06-02 21:10 12.3" in appendix
    many, history = written(days=20, step_ms=4 * HOUR)
    appendix = " ".join(pages(batch_pdf(many, history, PILE, SETTING))[1:])
    assert f"The first {ROWS_SHOWN} of 120." in appendix


def test_what_people_did_and_saw_is_listed() -> None:
    notes = (
        FieldNote("1", "p", "squeeze", Millis(BUILT + DAY), figures={"feel": "dry"}, text="crumbles"),
        FieldNote("2", "p", "water", Millis(BUILT + DAY + HOUR), figures={"litres": 40}),
        FieldNote(
            "3", "p", "hand_reading", Millis(BUILT + 3 * DAY), figures={"celsius": 61.5, "depth_cm": 45}
        ),
        FieldNote(
            "4", "p", "smell", Millis(BUILT + 3 * DAY + HOUR), figures={"smell": "earthy", "smoke": False}
        ),
    )
    appendix = " ".join(pages(batch_pdf(*written(notes=notes), PILE, SETTING))[1:])
    for said in (
        "squeeze dry; crumbles", "water 40 L", "turn", "hand reading 61.5 °C at 45 cm", "smell earthy",
    ):  # fmt: skip
        assert said in appendix
    assert appendix.index("40 L") < appendix.index("2026-06-03 09:00 turn") < appendix.index("61.5 °C at")


def test_danger_puts_its_cautions_on_the_page() -> None:
    report, history = written(celsius=79.0)
    first = pages(batch_pdf(report, history, PILE, SETTING))[0]
    assert "Take care" in first
    assert "fire service" in first


def test_text_that_looks_like_typesetting_stays_text() -> None:
    odd = Setting(title='#panic("x") *K-03* $ _ @ <a> \\ `', site="[#read] ]", zone="UTC")
    assert '#panic("x") *K-03*' in pages(batch_pdf(*written(), PILE, odd))[0]


def test_the_hash_can_be_worked_out_again_from_its_recipe() -> None:
    _, history = written(days=0.02)
    lines = "".join(f"north,45,{iso(Millis(BUILT + minute * MINUTE))},61.0\n" for minute in (0, 10, 20))
    lines += (
        f'{{"built_at":{BUILT},"finished_at":null,"guide_id":null,"id":"p","kind":"caged","mix":null,"peg":"K-03",'
        '"rule_ids":["us-503-pfrp-vessel"],"site":"larkfield","volume_l":1200}\n'
        f'{{"at":{BUILT + 2 * DAY},"by":"","id":"t","note":"","pile_id":"p","source":"logged","state":"confirmed"}}\n'
    )
    assert data_hash(history) == hashlib.sha256(lines.encode()).hexdigest()
    assert data_hash(history) in pages(batch_pdf(*written(days=0.02), PILE, SETTING))[-1].replace(" ", "")


LONG_MIX = {
    "name": "leaves, chips, manure and what the garden gave", "carbon_to_nitrogen": 29.0, "moisture_percent": 58.0,
    "feedstocks": [{"name": f"feedstock number {number}", "mass_kg": 100.0 + number} for number in range(9)],
}  # fmt: skip
BUILD_NOTES = (
    build_note(
        "p", BuildRecord(by="Maker and helper", weather="showers, gusts from the west", air_c=8.5, water_l=60, cover="straw"),
        BUILT, BUILT,
    ),
    FieldNote("s", "p", "squeeze", BUILT, figures={"feel": "dry"}, by="Maker"),
    FieldNote("w", "p", "water", Millis(BUILT + HOUR), figures={"litres": 40}, by="Maker"),
)  # fmt: skip


@pytest.mark.parametrize("built", [False, True], ids=["plain", "with-a-build"])
@pytest.mark.parametrize("count", [0, 1, 3, 15])
def test_any_number_of_rules_and_turns_fits_on_the_page(count: int, built: bool) -> None:
    _, history = written(celsius=79.0)
    heat_rules = list(CATALOGUE.rules.values())[:count]
    facts = PileFacts(
        PILE,
        tuple({sensor.placement for sensor in history.sensors}),
        tuple(Turn(str(turn), "p", Millis(BUILT + turn * 5 * HOUR)) for turn in range(1, count + 1)),
        BUILD_NOTES if built else (),
    )
    sensor = history.sensors[0]
    curve = Curve(sensor.at, sensor.celsius, np.zeros(len(sensor.at), np.uint8))
    heat = PileHeat(facts, 180 * MINUTE, {sensor.key: curve})
    report = report_of(heat, Millis(int(sensor.at[-1])), CATALOGUE.default_guide, heat_rules)
    pile = replace(PILE, mix=LONG_MIX if built else None)
    sheet = pages(batch_pdf(report, replace(history, notes=facts.notes), pile, Setting(title="K-03")))
    assert sheet[1].startswith("Appendix: what the page rests on")
    assert "Take care" in sheet[0]
    assert ("The last 6 of 16" in sheet[0]) is (count == 15)


def test_the_build_stands_on_the_page_and_in_the_appendix() -> None:
    mix = {
        "name": "stable", "carbon_to_nitrogen": 31.2, "moisture_percent": 57.0,
        "feedstocks": [{"name": "straw", "mass_kg": 54.0, "volume_l": 400.0, "planned": "18.0 buckets"}],
    }  # fmt: skip
    record = BuildRecord(
        by="Maker", weather="dry", air_c=8.5, water_l=60, cover="fleece",
        answers=(KeptAnswer(feedstock="straw", asks="Seeds?", text="none seen", verdict="settled"),),
    )  # fmt: skip
    notes = (
        build_note("p", record, BUILT, BUILT),
        check_note("p", ["mixed"], "Helper", Millis(BUILT + HOUR)),
        FieldNote("s", "p", "squeeze", BUILT, figures={"feel": "right"}, by="Maker"),
    )
    pile = replace(PILE, mix=mix)
    sheet = pages(batch_pdf(*written(notes=notes), pile, SETTING))
    for said in (
        "stable, straw 54 kg; C:N 31; 57 % water as built",
        "Maker; dry 8.5 °C; covered: fleece; 60 L",
        "a few drops",
    ):
        assert said in sheet[0]
    appendix = " ".join(sheet[1:])
    for said in (
        "straw 54 kg 400 L 18.0 buckets",
        "Seeds? none seen (settled)",
        "by Helper",
        "squeeze Maker right",
    ):
        assert said in appendix


def test_an_inspector_reads_on_the_page_that_a_pile_was_read_by_hand() -> None:
    notes = tuple(
        FieldNote(str(day), "p", "hand_reading", Millis(BUILT + day * DAY), figures={"celsius": 60.0, "depth_cm": 45})
        for day in range(5)
    )  # fmt: skip
    heat = PileHeat(PileFacts(PILE, (), (), notes), 180 * MINUTE)
    report = report_of(heat, Millis(BUILT + 4 * DAY), CATALOGUE.default_guide, [])
    first = pages(batch_pdf(report, history_of(heat), PILE, SETTING))[0]
    assert "5 hand readings where no probe stands" in first
    assert "was not seen" in first
