from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.links import (
    LIFETIME_MS,
    LinkError,
    LinkPurpose,
    link_address,
    link_key,
    make_link,
    readdressed,
    verify_link,
    without_tokens,
)
from shared.times import DAY, Millis
from tests.alerts.memory import DictMemory
from tests.alerts.wording.scenes import NOW

KEY = b"k" * 32
PURPOSE = LinkPurpose("log_turn", "pile-7", "episode-1", "p-1", Millis(NOW + DAY))


def test_a_link_says_what_it_was_made_for() -> None:
    assert verify_link(KEY, make_link(KEY, PURPOSE), NOW) == PURPOSE


def test_a_link_works_until_it_expires_and_not_from_then_on() -> None:
    token = make_link(KEY, PURPOSE)
    assert verify_link(KEY, token, Millis(PURPOSE.expires_at - 1))
    with pytest.raises(LinkError, match="too old"):
        verify_link(KEY, token, PURPOSE.expires_at)


def test_links_outlive_a_long_outage_of_the_post() -> None:
    assert LIFETIME_MS >= 3 * DAY


@given(st.integers(0, 400), st.characters(min_codepoint=33, max_codepoint=126))
def test_no_changed_letter_passes(position: int, letter: str) -> None:
    token = make_link(KEY, PURPOSE)
    position %= len(token)
    if token[position] == letter:
        return
    changed = token[:position] + letter + token[position + 1 :]
    try:
        verify_link(KEY, changed, NOW)
    except LinkError:
        return
    pytest.fail(f"{changed} passed")


@given(st.text(max_size=300))
def test_no_text_of_chance_passes_or_breaks_anything(text: str) -> None:
    with pytest.raises(LinkError):
        verify_link(KEY, text, NOW)


def test_another_spelling_of_the_same_bytes_does_not_pass() -> None:
    token = make_link(KEY, PURPOSE)
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    for letter in alphabet:
        if letter != token[-1]:
            with pytest.raises(LinkError):
                verify_link(KEY, token[:-1] + letter, NOW)


def test_another_services_link_is_not_ours() -> None:
    with pytest.raises(LinkError, match="not whole"):
        verify_link(KEY, make_link(b"x" * 32, PURPOSE), NOW)


def test_the_key_is_made_once_and_kept() -> None:
    memory = DictMemory()
    assert link_key(memory) == link_key(memory)
    assert link_key(memory) != link_key(DictMemory())


def test_there_is_no_address_without_a_place_that_people_can_reach() -> None:
    assert link_address(None, "t") == ""
    assert link_address("yard.example", "t") == ""
    assert link_address("https://yard.example/", "t") == "https://yard.example/do/t"


def test_a_message_passed_on_carries_the_new_readers_links() -> None:
    text = f"Done? {link_address('https://yard.example', make_link(KEY, PURPOSE))} now"
    other = readdressed(KEY, text, "p-2")
    token = other.removeprefix("Done? https://yard.example/do/").removesuffix(" now")
    assert verify_link(KEY, token, NOW) == dataclasses.replace(PURPOSE, person="p-2")
    assert without_tokens(text) == "Done? https://yard.example/do/… now"


def test_a_foreign_link_in_a_message_is_left_as_it_is() -> None:
    text = f"https://other.example/do/{make_link(b'x' * 32, PURPOSE)}"
    assert readdressed(KEY, text, "p-2") == text
