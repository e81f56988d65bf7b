"""The golden files: every kind, in every language; every reason, in both units. ``python -m tests.alerts.wording.golden_sheets
--write`` makes them anew; read the difference before you keep it."""

from __future__ import annotations

import sys
from pathlib import Path

from alerts.snapshot import STEP_REASONS
from alerts.wording import TELLERS, compose
from shared.episodes import NoticeKind
from shared.languages import languages
from shared.units import Units
from tests.alerts.wording.scenes import episode, link_for, person, scene
from tests.alerts.wording.variants import VARIANTS, beside

FOLDER = Path(__file__).with_name("golden")
UNITS: tuple[Units, ...] = ("celsius", "fahrenheit")


def sheet(kind: NoticeKind, language: str) -> str:
    parts = []
    for reason in STEP_REASONS:
        for units in UNITS:
            message = compose(episode(kind), scene(kind), person(units, language), reason, link_for)
            links = " ".join(f"{name}={address}" for name, address in message.links.items())
            parts.append(f"== {reason}, {units}\n# {message.title}\n{message.text}\n[{links}]\n")
    return "\n".join(parts)


def variants_sheet(language: str) -> str:
    """What differs from the plain case, once each."""
    parts = []
    for variant in VARIANTS:
        message = compose(
            episode(variant.kind, **variant.figures),
            variant.scene or scene(variant.kind),
            person("celsius", language, "America/New_York"),
            "first",
            link_for,
            [episode(kind) for kind in variant.also],
            [beside(peg, kind, reason) for peg, kind, reason in variant.beside],
            link_for_all=lambda act: f"https://yard.example/do/{act}-all",
        )
        parts.append(f"== {variant.name}\n# {message.title}\n{message.text}\n")
    return "\n".join(parts)


def file_of(kind: str, language: str) -> Path:
    return FOLDER / f"{kind}.{language}.txt"


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("say --write to make the golden files anew")
    FOLDER.mkdir(exist_ok=True)
    for each in TELLERS:
        for spoken in languages():
            file_of(each, spoken).write_text(sheet(each, spoken), "utf-8")
    for spoken in languages():
        file_of("variants", spoken).write_text(variants_sheet(spoken), "utf-8")
