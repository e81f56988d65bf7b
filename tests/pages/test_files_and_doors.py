"""Files keep their promises to caches; doors open to whom they should."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator

import httpx
import pytest

from api.auth import create_token
from shared.people import Role
from tests.pages.server import Yard, client_of

PAGE = {"Accept": "text/html"}


@pytest.fixture
def client(larkfield: Yard) -> Iterator[httpx.Client]:
    with client_of(larkfield, larkfield.key) as found:
        yield found


def caller(yard: Yard, role: Role | None) -> httpx.Client:
    key = create_token(yard.parts.registry, role, f"the {role}", yard.clock.at) if role else None
    return client_of(yard, key, PAGE["Accept"])


def test_the_style_is_kept_for_good_and_another_edition_is_not_there(client: httpx.Client) -> None:
    found = re.search(r'href="(/static/\w+/turnbell\.css)"', client.get("/", headers=PAGE).text)
    assert found is not None
    answer = client.get(found.group(1))
    assert "immutable" in answer.headers["cache-control"]
    assert answer.headers["content-encoding"] == "gzip"
    assert client.get("/static/000000000000/turnbell.css").status_code == 404
    assert client.get("/static/engine/other.js").status_code == 404


def test_no_file_outside_the_folder_is_served(client: httpx.Client) -> None:
    for path in ("/static/x/..%2f..%2fapp.py", "/static/..%2f..%2fapp.py", "/static/x/%2e%2e/app.py"):
        assert client.get(path).status_code == 404


def test_the_chart_engine_is_made_once_and_kept(client: httpx.Client, larkfield: Yard) -> None:
    found = re.search(r'data-engine="([^"]+)"', client.get("/piles/pile-K-01", headers=PAGE).text)
    assert found is not None
    first = client.get(found.group(1))
    kept = list((larkfield.parts.data_dir / "cache").glob("chart-engine-*.js.gz"))
    assert len(kept) == 1
    assert gzip.decompress(kept[0].read_bytes()).decode() == first.text
    assert kept[0].stat().st_size < 400_000
    assert "immutable" in first.headers["cache-control"]


def test_a_curve_that_did_not_change_is_not_sent_again(client: httpx.Client) -> None:
    first = client.get("/piles/pile-K-02/curve.svg?w=360")
    again = client.get("/piles/pile-K-02/curve.svg?w=360", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert first.headers["cache-control"] == "private, no-cache"


def test_the_curve_of_a_reader_in_fahrenheit_is_another_one(client: httpx.Client) -> None:
    celsius = client.get("/piles/pile-K-02/curve.json?w=500")
    fahrenheit = client.get("/piles/pile-K-02/curve.json?w=500", headers={"Cookie": "tb_units=fahrenheit"})
    assert celsius.headers["etag"] != fahrenheit.headers["etag"]
    assert fahrenheit.json()["datasets"]["thresholds"][0]["c"] == 131.0


@pytest.mark.parametrize("query", ["w=1", "w=99999", "theme=pink", "from=x"])
def test_a_curve_refuses_what_it_cannot_draw(client: httpx.Client, query: str) -> None:
    assert client.get(f"/piles/pile-K-02/curve.svg?{query}").status_code in {200, 422}
    assert client.get(f"/piles/pile-K-02/curve.json?{query}").status_code == 422


@pytest.mark.parametrize("path", ["/", "/piles/pile-K-01", "/notices", "/batches", "/probes", "/people", "/rules", "/quarantine", "/labels", "/setup", "/piles/new"])  # fmt: skip
def test_a_stranger_is_led_to_the_door(larkfield: Yard, path: str) -> None:
    with caller(larkfield, None) as stranger:
        answer = stranger.get(path)
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/enter?next=")


def test_a_viewer_sees_and_writes_nothing(larkfield: Yard) -> None:
    with caller(larkfield, "viewer") as viewer:
        page = viewer.get("/piles/pile-K-01").text
        assert "Turned just now" not in page
        assert viewer.post("/piles/pile-K-01/turn").status_code == 403
        assert viewer.post("/probes/place", data={"probe": "x", "pile": "pile-K-01"}).status_code == 403
        assert viewer.get("/setup").status_code == 403
        assert viewer.get("/people").status_code == 403


def test_a_helper_logs_but_does_not_change_the_yard(own_yard: Yard) -> None:
    with caller(own_yard, "helper") as helper:
        assert helper.post("/piles/pile-K-01/turn").status_code == 303
        assert helper.post("/piles/pile-K-01/finish", data={"at": ""}).status_code == 403
        assert helper.post("/people", data={"name": "x", "zone": "UTC"}).status_code == 403


def test_words_of_a_user_are_words_and_no_markup(own_yard: Yard) -> None:
    with caller(own_yard, "manager") as manager:
        nasty = "<script>alert(1)</script>"
        manager.post("/piles/pile-K-01/note", data={"kind": "remark", "text": nasty})
        page = manager.get("/piles/pile-K-01").text
        assert nasty not in page
        assert "&lt;script&gt;" in page


def test_the_way_on_never_leads_to_another_site(own_yard: Yard) -> None:
    with caller(own_yard, "manager") as manager:
        for onward in ("https://elsewhere.example", "//elsewhere.example", "/\\elsewhere.example"):
            answer = manager.post("/piles/pile-K-01/turn", data={"next": onward, "key": onward})
            assert answer.headers["location"] == "/"


def test_a_page_that_repeats_its_address_is_not_packed(client: httpx.Client) -> None:
    assert client.get("/batches", headers=PAGE).headers["content-encoding"] == "gzip"
    assert "content-encoding" not in client.get("/batches?q=x", headers=PAGE).headers
