"""The stockpile of broiler litter (Kamp and Feilberg, Aarhus University, CC BY 4.0), replayed over MQTT in shuffled
order, gives the hours that the file itself gives."""

from __future__ import annotations

import csv
import json
import random
from collections import defaultdict
from pathlib import Path

import httpx
import paho.mqtt.publish as mqtt
import pytest

from shared.times import iso, parse_time
from tests.e2e.harness import api_of, serving, turnbell, until

LITTER = Path(__file__).parents[1] / "cases" / "broiler-litter-2023" / "pile_temperatures.csv"
BUILT = "2023-08-29T09:30:00+02:00"
DEPTH_CM = {
    "top": 20,
    "middle": 60,
    "bottom": 100,
    "ground": 130,
}  # the source names levels; a topic wants centimetres
# hours above 55 °C, straight lines between samples, gaps over 3 h not counted: worked out when the series was prepared
EXPECTED = {
    ("place-B", "middle"): 113.3,
    ("place-A", "middle"): 173.35,
    ("place-C", "middle"): 6.8,
    ("place-C", "top"): 2.2,
}


def packs() -> list[tuple[str, bytes]]:
    """(probe, SenML pack): one pack a probe and day, shuffled by a seed."""
    by_day: dict[tuple[str, str], list[dict[str, object]]] = defaultdict(list)
    with LITTER.open(encoding="utf-8") as handle:
        for row in csv.DictReader(handle):
            try:
                value = float(row["celsius"])
            except ValueError:
                continue
            record = {
                "n": f"{row['probe']}/t/{DEPTH_CM[row['level']]}",
                "u": "Cel",
                "t": parse_time(row["time"]) / 1000,
                "v": value,
            }
            by_day[row["probe"], row["time"][:10]].append(record)
    shuffled = [(probe, json.dumps(records).encode()) for (probe, _), records in by_day.items()]
    random.Random(7).shuffle(shuffled)
    return shuffled


def test_replayed_and_analysed_the_stockpile_has_the_same_hours(tmp_path: Path) -> None:
    data = tmp_path / "data"
    with serving(data) as running, api_of(running, data) as api:
        assert api.post(
            "/sites", json={"slug": "store", "name": "Store", "zone": "Europe/Copenhagen"}
        ).is_success
        pile = api.post("/piles", json={"site": "store", "peg": "L-01", "built_at": BUILT}).json()["id"]
        for probe in ("place-A", "place-B", "place-C"):
            placed = api.post(
                "/placements", json={"probe": probe, "pile": pile, "from": BUILT, "position": probe}
            )
            assert placed.is_success, placed.text
        messages: list[mqtt.MessageDict | mqtt.MessageTuple] = [
            {"topic": f"turnbell/store/{probe}/readings", "payload": payload, "qos": 1}
            for probe, payload in packs()
        ]
        mqtt.multiple(messages, hostname=running.mqtt_host, port=running.mqtt_port)
        until(
            lambda: sum(s["readings"] + s["suspect"] for s in _sensors(api, pile)) >= 10_900,
            60,
            "all readings",
        )
        report = api.get(
            f"/piles/{pile}/heat", params={"at": iso(parse_time("2023-10-12T10:25:00+02:00"))}
        ).json()

    replayed = {(s["probe"], _level(s["depth_cm"])): s["hours_above"]["55"] for s in report["sensors"]}
    for sensor, hours in replayed.items():
        assert hours == pytest.approx(EXPECTED.get(sensor, 0.0), abs=0.06), sensor
    assert report["hottest"]["peak_c"] == pytest.approx(59.0, abs=0.05)

    analysed = turnbell("analyse", str(LITTER), "--built", BUILT, "--format", "json")
    assert analysed.returncode == 0, analysed.stderr
    from_file = {
        (s["probe"], s["level"]): s["hours_above"]["55"] for s in json.loads(analysed.stdout)["sensors"]
    }
    assert from_file == replayed


def _sensors(api: httpx.Client, pile: str) -> list[dict[str, int]]:
    found: list[dict[str, int]] = api.get(f"/piles/{pile}/heat").json()["sensors"]
    return found


def _level(depth_cm: float) -> str:
    return next(level for level, depth in DEPTH_CM.items() if depth == depth_cm)
