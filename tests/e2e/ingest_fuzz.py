"""Payloads that no probe would send, by the thousand, through the real intake, the real writer and the real stores."""

from __future__ import annotations

import json
import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import cbor2
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from ingest.batch import Intake
from ingest.decoders import Decoders, senml_cbor
from ingest.session import Message
from ingest.topics import OWN_TOPICS
from ingest.undated import Undated
from ingest.upkeep import Upkeep
from ingest.writer import Writer
from shared.settings import QuarantineBounds
from shared.stores import open_readings, open_registry
from shared.times import SystemClock
from tests.e2e.ingest_yard import Outcome

SEED: Final = 20261125
AT_ONCE: Final = 50
KEPT: Final = 1_000  # messages in the quarantine

LABELS = ["n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "bn", "bt", "bu", "bv", "bs", "bver", "x_", "zz"]
NAMES = st.sampled_from(
    ["t/45", "t/", "t/x", "o2/30", "battery", "rssi", "", "t/1e9", "t/\u0000", "t/\ud800"]
) | st.text(max_size=8)
NUMBERS = (
    st.floats()
    | st.integers()
    | st.integers(-(2**70), 2**70)
    | st.sampled_from([1.8e9, 2**28, -1, 1e300, 10**400, 0])
)
VALUES = st.one_of(
    NUMBERS, NUMBERS, st.booleans(), st.none(), st.text(max_size=5), st.lists(st.integers(), max_size=2)
)
FIELDS: dict[str, st.SearchStrategy[Any]] = dict.fromkeys(LABELS, VALUES) | {
    "n": NAMES | VALUES, "bn": NAMES | VALUES, "u": st.sampled_from(["Cel", "%", "%EL", "V", "dBm", "K"]) | VALUES,
}  # fmt: skip
RECORDS = st.fixed_dictionaries({}, optional=FIELDS)
PACKS = st.lists(RECORDS | VALUES, max_size=6)
LIKELY = st.lists(  # records as a probe sends them, mostly
    st.fixed_dictionaries(
        {
            "n": st.sampled_from(["t/15", "t/45", "t/75", "battery"]),
            "u": st.sampled_from(["Cel"] * 6 + ["%EL", "K"]),
            "v": st.floats(-60, 130) | NUMBERS,
        },
        optional={"t": st.integers(-90_000, 0) | NUMBERS},
    ),
    min_size=1,
    max_size=4,
)
DEPTHS = st.dictionaries(NAMES, VALUES, max_size=4)
OBJECTS = st.fixed_dictionaries(
    {},
    optional={
        "time": st.sampled_from(["2026-11-25T06:00:00Z", "2026-11-25T06:00:00", "now", "9999-12-31T23:59:59-23:59"]) | VALUES,
        "celsius": DEPTHS | VALUES, "fahrenheit": DEPTHS | VALUES, "battery_percent": VALUES, "rssi_dbm": VALUES,
        "oxygen_percent": DEPTHS,
    },
)  # fmt: skip
NUMBERED = {name: label for label, name in senml_cbor.LABELS.items()}


def _json(value: Any) -> bytes:
    return json.dumps(value).encode("utf-8", "surrogatepass")


def _cbor(pack: list[Any]) -> bytes:
    def clean(value: Any) -> Any:
        return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value

    numbered = [
        {NUMBERED.get(name, name): clean(value) for name, value in one.items()}
        if isinstance(one, dict)
        else clean(one)
        for one in pack
    ]
    return cbor2.dumps(numbered)


@st.composite
def damaged(draw: st.DrawFn, payloads: st.SearchStrategy[bytes]) -> bytes:
    """A good payload with a few bytes changed, cut or put in."""
    payload = bytearray(draw(payloads))
    for _ in range(draw(st.integers(0, 3))):
        place = draw(st.integers(0, len(payload)))
        payload[place : place + draw(st.integers(0, 3))] = draw(st.binary(max_size=3))
    return bytes(payload)


PAYLOADS = st.one_of(
    damaged(LIKELY.map(_json)),
    damaged(LIKELY.map(_cbor)),
    damaged(PACKS.map(_json)),
    damaged(PACKS.map(_cbor)),
    damaged(OBJECTS.map(_json)),
    st.binary(max_size=60),
    st.binary(max_size=40).map(lambda tail: bytes([0x80 + len(tail) % 32]) + tail),
)
TOPICS = st.sampled_from(
    ["turnbell/yard/P1/readings"] * 6 + ["turnbell/yard/P1/status", "turnbell/a b/P1/readings", "x", ""]
)
MAPPINGS = {"box": {"when": "x", "celsius": {"45": "scale(integer(base64(x), `0`, 'i16'), `0.1`)"}}}


def draw(count: int, seeded: int, take: Callable[[str, bytes], None]) -> None:
    """Give ``take`` at least ``count`` topics and payloads, the same for the same seed."""

    @seed(seeded)
    @settings(
        max_examples=-(-count // AT_ONCE),
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.lists(st.tuples(TOPICS, PAYLOADS), min_size=AT_ONCE, max_size=AT_ONCE))
    def some(messages: list[tuple[str, bytes]]) -> None:
        for topic, payload in messages:
            take(topic, payload)

    some()


def wrung(payload: bytes, other: bytes, dice: random.Random) -> bytes:
    """A copy with up to three more damages: octets changed, cut out, doubled, or put in from another payload."""
    octets = bytearray(payload)
    for _ in range(dice.randint(1, 3)):
        start = dice.randint(0, len(octets))
        end = min(len(octets), start + dice.randint(0, 4))
        piece = dice.choice(
            (b"", dice.randbytes(end - start), bytes(octets[start:end]) * 2, other[start : start + 8])
        )
        octets[start:end] = piece
    return bytes(octets)


class Accounts:
    """Whether every message that an intake takes ends in the readings, in the quarantine or as a status."""

    def __init__(self, intake: Intake) -> None:
        self._intake = intake
        self.taken = self.unaccounted = 0

    def take(self, message: Message) -> None:
        batch = self._intake.batch
        before = len(batch.readings) + len(batch.refusals)
        Intake.take(self._intake, message)
        batch = self._intake.batch
        topic = message.topic or ""
        if topic.startswith(OWN_TOPICS):
            return
        self.taken += 1
        if (
            len(batch.readings) + len(batch.refusals) == before
            and message.payload
            and not topic.endswith("/status")
        ):
            self.unaccounted += 1


def fuzz(count: int, seeded: int = SEED) -> Outcome:
    """The short form: in one process, fifty to a batch, retained ones among them."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="turnbell-fuzz-") as folder:
        readings = open_readings(Path(folder) / "readings.db")
        registry = open_registry(f"sqlite:///{folder}/registry.db")
        upkeep, clock = Upkeep(), SystemClock()
        intake = Intake(Decoders(MAPPINGS), clock, upkeep, Undated(2_000))
        writer = Writer(readings, registry, upkeep, clock, QuarantineBounds(keep_at_most=KEPT))
        accounts, dice = Accounts(intake), random.Random(seeded)

        def take(topic: str, payload: bytes) -> None:
            accounts.take(Message(topic, payload, 1, 1, 1, retain=dice.random() < 0.1))
            if len(intake.batch) == AT_ONCE:
                writer.commit(intake.hand_over())
                writer.tidy(idle=True)

        draw(count, seeded, take)
        kept = len(registry.quarantine.all(limit=5000))
        stored, quarantined = readings.count(), writer.quarantined
        readings.close()
        registry.close()
    remark = f"{stored} readings kept, {quarantined} messages quarantined, {kept} still there (bound {KEPT})"
    return Outcome(
        "fuzzed payloads",
        accounts.taken,
        accounts.taken,
        accounts.unaccounted,
        max(0, kept - KEPT - KEPT // 10 - AT_ONCE),
        0,
        0.0,
        time.monotonic() - began,
        remark,
    )
