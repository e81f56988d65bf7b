"""The recipes of DEVELOPERS.md, followed: a decoder, a channel and a rule that nobody has seen before."""

from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import ingest.decoders
from alerts.channels.port import Parcel, SendError
from ingest.decoded import DecodeError
from ingest.decoders import FORMATS, Decoders, Format
from shared.heat.catalogue import Catalogue
from shared.heat.compose import heat_report
from shared.heat.facts import PileFacts
from shared.notices import Notice
from shared.people import Channel, Person
from shared.piles import Pile, Placement
from shared.readings import Curve, SensorKey
from shared.settings import Settings
from shared.times import DAY, HOUR, Millis, Span, parse_time
from tests.docs.blocks import blocks

NOW = parse_time("2026-11-25T06:00:00Z")
TOPIC = "turnbell/larkfield/lance-01/readings"


def module_of(file: str) -> ModuleType:
    """The code block of DEVELOPERS.md that begins with the name of ``file``."""
    (found,) = [block for block in blocks("python") if block.text.startswith(f"# {file}\n")]
    module = ModuleType(Path(file).stem)
    exec(compile(found.text, f"DEVELOPERS.md, {file}", "exec"), module.__dict__)  # noqa: S102 - that is the test
    return module


def test_the_decoder_of_the_recipe_reads_its_messages(monkeypatch: pytest.MonkeyPatch) -> None:
    pairs = module_of("ingest/decoders/pairs.py")
    added = (*FORMATS, Format("pairs", b"0123456789", lambda _: pairs.decode))
    monkeypatch.setattr(ingest.decoders, "FORMATS", added)
    decoders = Decoders({})
    decoded = decoders.decode(TOPIC, b"15=48.2 45=61.9 x=1=2", NOW)
    assert [(one.sensor.depth, one.value, one.at) for one in decoded.readings] == [
        ("15", 48.2, NOW),
        ("45", 61.9, NOW),
    ]
    assert len(decoded.refused) == 1
    with pytest.raises(DecodeError):
        decoders.decode(TOPIC, b"15=warm", NOW)


def test_the_channel_of_the_recipe_delivers_once_and_says_why_not(tmp_path: Path) -> None:
    sender = module_of("alerts/channels/folder.py").FolderSender(Settings())
    notice = Notice(
        id="n-1",
        episode_id="e-1",
        kind="turn_due",
        severity="act",
        person_id="p-1",
        channel_id="c-1",
        reason="first",
        at=NOW,
        title="K-02 wants a turn",
        text="K-02 wants a turn by 16:00.",
    )
    person = Person("p-1", "Mina", "Europe/Dublin")
    for _ in range(2):
        sender.send(Parcel(notice, Channel("c-1", "p-1", "mqtt", str(tmp_path)), person))
    (file,) = tmp_path.iterdir()
    assert json.loads(file.read_text("utf-8"))["id"] == "n-1"
    with pytest.raises(SendError) as refused:
        sender.send(Parcel(notice, Channel("c-1", "p-1", "mqtt", str(tmp_path / "none")), person))
    assert refused.value.permanent


@pytest.mark.parametrize(("days", "status"), [(2.0, "met"), (1.99, "open")])
def test_the_rule_of_the_recipe_is_read(tmp_path: Path, days: float, status: str) -> None:
    (found,) = [block for block in blocks("toml") if 'id = "two-hot-days"' in block.text]
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "two-hot-days.toml").write_text(found.text, "utf-8")
    catalogue = Catalogue.load(tmp_path)
    pile = Pile("pile", "larkfield", "K-01", NOW)
    stay = Placement("stay", "larkfield", "lance-01", "pile", Span(NOW), "middle")
    at = NOW + np.arange(0, 3 * DAY + 1, HOUR // 100, dtype=np.int64)
    hot = np.where(at <= NOW + round(days * DAY), 60.0, 59.0)
    curves = {SensorKey("larkfield", "lance-01", "45"): Curve(at, hot, np.zeros(len(at), dtype=np.uint8))}
    report = heat_report(
        PileFacts(pile, (stay,)),
        curves,
        Millis(NOW + 3 * DAY),
        catalogue.default_guide,
        [catalogue.rule("two-hot-days")],
        3 * HOUR,
    )
    assert [rule.status for rule in report.rules] == [status]
