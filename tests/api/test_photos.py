"""Photos of the field log: kept small, without their place, and nothing that is none."""

from __future__ import annotations

import io
from typing import Any

import pytest
from PIL import Image
from starlette.testclient import TestClient

from tests.api.conftest import House


def picture(kind: str = "JPEG", size: tuple[int, int] = (3000, 2000), **extra: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (120, 90, 40)).save(out, kind, **extra)
    return out.getvalue()


def photo_note(helper: TestClient, pile: str) -> str:
    made = helper.post(f"/api/v1/piles/{pile}/notes", json={"kind": "photo", "at": "2026-11-24T15:00:00Z"})
    return f"/api/v1/piles/{pile}/notes/{made.json()['id']}/photo"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_is_kept_small_and_without_its_place(house: House, helper: TestClient, kind: str) -> None:
    exif = Image.Exif()
    exif[0x0110] = "A camera"
    exif[0x8825] = {1: "N", 2: (53.0, 20.0, 0.0)}
    address = photo_note(helper, house.pile().id)
    sent = picture(kind, exif=exif)
    assert (
        helper.put(address, content=sent, headers={"Content-Type": f"image/{kind.lower()}"}).status_code
        == 204
    )
    got = helper.get(address)
    assert got.headers["Content-Type"] == "image/jpeg"
    with Image.open(io.BytesIO(got.content)) as kept:
        assert kept.size == (1600, 1067)
        assert not kept.getexif()


def test_what_is_no_picture_is_refused_and_the_note_stays(house: House, helper: TestClient) -> None:
    pile = house.pile()
    address = photo_note(helper, pile.id)
    cut = picture()[:2000]
    for sent in (b"", b"GIF89a", b"<svg onload=alert(1)>", cut, picture("PNG", (10_000, 7_000))):
        answer = helper.put(address, content=sent, headers={"Content-Type": "image/jpeg"})
        assert answer.status_code == 422, sent[:10]
    assert helper.get(address).status_code == 404
    assert len(house.parts.registry.piles.notes(pile.id)) == 1


def test_a_photo_may_be_larger_than_other_bodies_but_not_endless(house: House, helper: TestClient) -> None:
    address = photo_note(helper, house.pile().id)
    jpeg = {"Content-Type": "image/jpeg"}
    padded = picture() + b"\0" * (2 << 20)
    assert helper.put(address, content=padded, headers=jpeg).status_code == 204
    assert helper.put(address, content=b"\0" * (13 << 20), headers=jpeg).status_code == 413
