"""A build as the form sends it."""

from __future__ import annotations

import html
import io
import re
from typing import Any

from PIL import Image
from starlette.testclient import TestClient

from tests.api.conftest import SITE

PAGE = {"Accept": "text/html"}
FORM: dict[str, Any] = {
    "site": SITE.slug,
    "peg": "K-31",
    "name": "straw and manure",
    "bucket_l": "20",
    "stuff": ["straw", "horse manure", ""],
    "amount": ["20", "300", ""],
    "unit": ["buckets", "kg", "kg"],
    "planned": ["18.0 buckets", "310.0 kg", ""],
    "by": "Maker",
    "weather": "dry, light wind",
    "air": "8,5",
    "water_l": "60",
    "cover": "straw",
    "feel": "right",
    "first": "14",
    "first_depth": "45",
    "step": ["stuff", "mixed", "no such step"],
    "text": "the barrow broke",
}


def jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (90, 60, 30)).save(out, "JPEG")
    return out.getvalue()


def build(client: TestClient, **changes: Any) -> str:
    """The new pile's id."""
    files = {"photo": ("p.jpg", jpeg(), "image/jpeg")}
    answer = client.post(
        "/piles/build", data=FORM | changes, files=files, headers=PAGE, follow_redirects=False
    )
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"].rpartition("/")[2])


def words(client: TestClient, address: str) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", client.get(address, headers=PAGE).text)))
