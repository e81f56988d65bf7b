"""Which messages the code says, and what the catalogues hold. ``python -m tests.alerts.wording.catalogues`` brings the
catalogues up to date: new messages come in empty, those that nobody says any more go."""

from __future__ import annotations

import sys
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po, write_po

from shared.languages import LOCALES, languages

ROOT = Path(__file__).parents[3]
DOMAIN = "notices"
KEYWORDS = {"say": None, "say_many": (1, 2)}

HEADER = """msgid ""
msgstr ""
"Project-Id-Version: turnbell\\n"
"Language: {language}\\n"
"Plural-Forms: nplurals=2; plural=(n != 1);\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"

"""


def said() -> Catalog:
    """Every message in alerts/, with where it is said."""
    catalogue = Catalog(domain=DOMAIN, project="turnbell", charset="utf-8", fuzzy=False)
    for source in sorted((ROOT / "alerts").rglob("*.py")):
        for line, message, comments, _context in extract_from_file("python", source, KEYWORDS):
            place = (str(source.relative_to(ROOT)), line)
            catalogue.add(message, locations=[place], auto_comments=comments)
    return catalogue


def file_of(language: str) -> Path:
    return LOCALES / language / "LC_MESSAGES" / f"{DOMAIN}.po"


def held(language: str) -> Catalog:
    with file_of(language).open("rb") as source:
        return read_po(source, locale=language, domain=DOMAIN)


def update(language: str) -> None:
    """English says what the code says; other languages keep what they have and show what is missing."""
    catalogue, template = held(language), said()
    catalogue.update(template, no_fuzzy_matching=True)
    catalogue.obsolete.clear()
    for message in catalogue:
        message.locations = [(place, 0) for place in dict.fromkeys(place for place, _ in message.locations)]
        if language == "en" and message.id:
            message.string = message.id
    with file_of(language).open("wb") as target:
        target.write(HEADER.format(language=language).encode())
        write_po(target, catalogue, width=100, sort_output=True, omit_header=True, include_lineno=False)


if __name__ == "__main__":
    for each in languages(DOMAIN):
        update(each)
        empty = [message.id for message in held(each) if message.id and not message.string]
        sys.stdout.write(f"{each}: {len(empty)} to translate\n")
