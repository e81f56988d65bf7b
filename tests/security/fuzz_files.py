"""Files and payloads that nobody meant: whatever the bytes are, an error in words or an answer, never anything else.

`python -m tests.security.fuzz_files [seconds]` runs every target for so long (600 by default), and counts what it drew.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import cbor2
from click.testing import CliRunner
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from deploy.cli import turnbell
from deploy.errors import UserError
from ingest.decoded import DecodeError
from ingest.decoders import Decoders
from shared.file_layout import FileError
from shared.heat.catalogue import Catalogue, CatalogueError
from shared.heat.guide import Guide
from shared.heat.rule_data import Rule
from shared.reading_files import read_readings, read_turns
from shared.settings import SettingsError
from shared.settings_read import load_settings
from shared.times import Millis, parse_time

NOW = parse_time("2026-11-25T06:00:00Z")
ROOT = Path(__file__).parents[2]
WORDS = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\n", b"\r", b",", b";", b"\t", b'"', b"'", b"=1+1", b"nan", b"inf", b"-1e999", b"1e400",
    b"9999-12-31T23:59:59Z", b"2026-11-25T06:00:00", b"0001-01-01T00:00:00+23:59", b"[", b"]", b"[[", b"{", b"}", b"\\u0000", b"0x",
    b"99999999999999999999", b"-0", b"true", b"time", b"probe", b"depth_cm", b"celsius", b"[" * 400, b"x = " + b"[" * 5000, b"\xf0\x9f\x92\xa9", b"\x1b[31m",
]  # fmt: skip
CSV = [
    b"time,probe,depth_cm,celsius\n2026-11-20T06:00:00Z,P-01,45,61.5\n2026-11-20T06:10:00Z,P-01,45,61.7\n",
    b"time;core;edge\n2026-11-20 06:00;61,5;44,1\n2026-11-20 06:10;61,7;\n",
    b"time,probe,level,fahrenheit\n2026-11-20T06:00:00+01:00,P-01,top,140\n",
]
PAYLOADS = [
    b'{"time":"2026-11-25T05:00:00Z","celsius":{"15":48.2,"45":61.9},"battery_percent":87,"rssi_dbm":-92}',
    b'[{"bn":"urn:x:","bt":1795586400,"n":"t/45","u":"Cel","v":61.5},{"n":"battery","u":"%EL","v":80}]',
    cbor2.dumps([{-2: "urn:x:", -3: 1795586400, 0: "t/45", 1: "Cel", 2: 61.5}]),
]
CONFIG = b'[mqtt]\nport = 1883\n[web]\npublic_url = "http://yard.local"\ntrusted_proxies = ["10.0.0.0/8"]\n[quiet_hours]\nfrom = 21:00:00\n'
MIX = b'[goal]\nmoisture_percent = 55\ncarbon_to_nitrogen = 30\n[[feedstock]]\nname = "grass"\nmass_kg = 10\nmoisture_percent = 77\ncarbon_percent = 45\nnitrogen_percent = 2.4\n'


def _shipped(folder: str) -> list[bytes]:
    return [file.read_bytes() for file in sorted((ROOT / "shared" / folder).glob("*.toml"))]


def damaged(good: list[bytes]) -> st.SearchStrategy[bytes]:
    """A good one with some bytes changed, or anything at all."""

    @st.composite
    def draw_one(draw: st.DrawFn) -> bytes:
        text = bytearray(draw(st.sampled_from(good)))
        for _ in range(draw(st.integers(1, 4))):
            place = draw(st.integers(0, len(text)))
            piece = draw(st.one_of(st.sampled_from(WORDS), st.binary(max_size=4)))
            text[place : place + draw(st.integers(0, 8))] = piece
        return bytes(text)

    return draw_one() | st.binary(max_size=200)


def told_in_words(error: Exception) -> None:
    """An empty text, or a decoder that "gave up", is a hole."""
    text = str(error)
    assert text
    assert "gave up" not in text, text


def decode(raw: bytes, _folder: Path) -> None:
    try:
        decoded = Decoders({}).decode("turnbell/larkfield/P-01/readings", raw, Millis(NOW))
    except DecodeError as error:
        told_in_words(error)
        return
    assert all(reading.sensor.site == "larkfield" for reading in decoded.readings)


def readings(raw: bytes, folder: Path) -> None:
    file = folder / "readings.csv"
    file.write_bytes(raw)
    for zone in (None, "Europe/Dublin"):
        for read in (read_readings, read_turns):
            try:
                read(file, zone=zone)
            except FileError as error:
                told_in_words(error)


def configuration(raw: bytes, folder: Path) -> None:
    file = folder / "turnbell.toml"
    file.write_bytes(raw)
    try:
        load_settings(file, {})
    except SettingsError as error:
        told_in_words(error)


def mix(raw: bytes, folder: Path) -> None:
    file = folder / "mix.toml"
    file.write_bytes(raw)
    result = CliRunner().invoke(turnbell, ["mix", str(file), "--format", "json"], catch_exceptions=True)
    if result.exception is None:
        json.loads(result.output)
    else:
        assert isinstance(result.exception, UserError | SystemExit), repr(result.exception)


def rules(raw: bytes, folder: Path) -> None:
    for kind in ("rules", "guides"):
        (folder / kind).mkdir(exist_ok=True)
        (folder / kind / "own.toml").write_bytes(raw)
    try:
        loaded = Catalogue.load(folder)
    except CatalogueError as error:
        told_in_words(error)
    else:
        assert all(isinstance(one, Rule) for one in loaded.rules.values())
        assert all(isinstance(one, Guide) for one in loaded.guides.values())


Target = Callable[[bytes, Path], None]
TARGETS: dict[str, tuple[Target, list[bytes]]] = {
    "decoders": (decode, PAYLOADS),
    "csv": (readings, CSV),
    "configuration": (configuration, [CONFIG]),
    "mix": (mix, [MIX]),
    "rules": (rules, [*_shipped("rules"), *_shipped("guides")]),
}


def fuzz(name: str, count: int, seeded: int = 20261125) -> None:
    """``count`` draws; AssertionError, or whatever escaped, at the first that is not held."""
    target, good = TARGETS[name]
    with tempfile.TemporaryDirectory() as folder:

        @seed(seeded)
        @settings(
            max_examples=count, deadline=None, database=None, phases=[Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(damaged(good))
        def one(raw: bytes) -> None:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                target(raw, Path(folder))

        one()


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    for name in TARGETS:
        ends, drawn, seeded = time.monotonic() + seconds, 0, int(time.time())
        while time.monotonic() < ends:
            fuzz(name, 200, seeded + drawn)
            drawn += 200
        print(f"{name}: {drawn} drawn in {seconds:g} s, nothing found", flush=True)


if __name__ == "__main__":
    main()
