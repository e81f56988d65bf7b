"""Every language says every message, with the same blanks to fill in."""

from __future__ import annotations

import string

import pytest
from babel.messages.catalog import Message

from shared.languages import catalogue, known_language, languages
from tests.alerts.wording.catalogues import held, said


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def forms(text: object) -> list[str]:
    return [text] if isinstance(text, str) else list(text) if isinstance(text, tuple) else []


def messages(language: str) -> dict[str | tuple[str, ...], Message]:
    return {m.id if isinstance(m.id, str) else tuple(m.id): m for m in held(language) if m.id}


def test_english_and_german_are_there() -> None:
    assert languages() == ("de", "en")


@pytest.mark.parametrize("language", languages())
def test_no_message_is_missing_or_left_over(language: str) -> None:
    wanted = {m.id if isinstance(m.id, str) else tuple(m.id) for m in said() if m.id}
    assert set(messages(language)) == wanted
    assert len(wanted) > 100  # the extractor still finds them


@pytest.mark.parametrize("language", languages())
def test_every_message_is_said_and_none_is_fuzzy(language: str) -> None:
    for message in messages(language).values():
        assert all(forms(message.string)), message.id
        assert not message.fuzzy, message.id


@pytest.mark.parametrize("language", languages())
def test_every_translation_fills_the_same_blanks(language: str) -> None:
    for message in messages(language).values():
        for text in forms(message.string):
            assert blanks(text) == blanks(forms(message.id)[-1]), message.id


@pytest.mark.parametrize("language", languages())
def test_catalogues_work_as_they_are_without_anything_compiled(language: str) -> None:
    assert catalogue(language).gettext("The store") == {"en": "The store", "de": "Der Speicher"}[language]
    assert catalogue(language).ngettext("{n} probe is silent.", "{n} probes are silent.", 3)


@pytest.mark.parametrize(
    ("wanted", "found"),
    [("de", "de"), ("de-AT", "de"), ("DE_ch", "de"), ("en-GB", "en"), ("fr", "en"), ("", "en")],
)
def test_a_language_falls_back_to_the_nearest_that_is_there(wanted: str, found: str) -> None:
    assert known_language(wanted) == found
