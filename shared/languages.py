"""Catalogues of words. The ``.po`` files are read as they are; nothing has to be compiled beforehand."""

from __future__ import annotations

import io
from functools import cache, lru_cache
from gettext import GNUTranslations
from pathlib import Path

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

LOCALES = Path(__file__).with_name("locales")
DEFAULT_LANGUAGE = "en"


@cache
def languages(domain: str = "notices") -> tuple[str, ...]:
    """The languages that have a catalogue, by code."""
    return tuple(sorted(found.parent.parent.name for found in LOCALES.glob(f"*/LC_MESSAGES/{domain}.po")))


def known_language(wanted: str, domain: str = "notices") -> str:
    """``de-AT`` and ``de_AT`` fall back to ``de``; what has no catalogue falls back to English."""
    have = languages(domain)
    code = wanted.replace("-", "_")
    for candidate in (code, code.split("_", maxsplit=1)[0].lower()):
        if candidate in have:
            return candidate
    return DEFAULT_LANGUAGE


@lru_cache(maxsize=32)
def catalogue(language: str, domain: str = "notices") -> GNUTranslations:
    """The words of one language that ``languages`` lists."""
    with (LOCALES / language / "LC_MESSAGES" / f"{domain}.po").open("rb") as source:
        messages = read_po(source, locale=language, domain=domain)
    compiled = io.BytesIO()
    write_mo(compiled, messages)
    compiled.seek(0)
    return GNUTranslations(compiled)
