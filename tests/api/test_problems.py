"""Whatever goes wrong leaves as a problem, with the same headers as everything else."""

from __future__ import annotations

import logging
import re
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.headers import security_headers
from shared.ports import StorageError, StoreBusy
from shared.settings import Settings
from tests.api.conftest import House, build_house, close_house


def is_problem(answer: Any, status: int) -> bool:
    body = answer.json()
    return bool(
        answer.status_code == status == body["status"]
        and answer.headers["Content-Type"] == "application/problem+json"
        and body["title"]
        and body["type"]
    )


def test_each_refusal_is_a_problem(house: House, manager: TestClient) -> None:
    stranger = house.client()
    assert is_problem(stranger.get("/api/v1/piles"), 401)
    assert is_problem(house.client("viewer").post("/api/v1/sites", json={}), 403)
    assert is_problem(manager.get("/nowhere"), 404)
    assert is_problem(manager.get("/api/v1/piles/none"), 404)
    assert is_problem(manager.get("/api/v1/rules/none"), 404)
    assert is_problem(manager.delete("/api/v1/piles"), 405)
    assert is_problem(manager.post("/api/v1/piles", content=b"a=b"), 415)
    assert is_problem(manager.post("/api/v1/piles", json=[]), 422)
    assert is_problem(manager.get("/static/none.css"), 404)


def test_a_method_that_is_not_there_says_which_are(manager: TestClient) -> None:
    answer = manager.delete("/api/v1/piles")
    assert answer.headers["Allow"] == "GET, POST"
    assert "GET, POST" in answer.json()["detail"]


def test_a_body_that_is_no_json_says_where(manager: TestClient) -> None:
    for body in (b"{", b'{"a":}', b"\xff\xfe", b"nul"):
        answer = manager.post("/api/v1/piles", content=body, headers={"Content-Type": "application/json"})
        assert is_problem(answer, 422) or is_problem(answer, 400)
        assert "JSON" in answer.text or "body" in answer.text


def test_a_fault_of_ours_is_logged_and_shows_nothing_inside(
    house: House, manager: TestClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken() -> None:
        raise RuntimeError("the key is hunter2")

    monkeypatch.setattr(house.parts.registry.sites, "all", broken)
    with caplog.at_level(logging.ERROR):
        answer = manager.get("/api/v1/sites")
    assert is_problem(answer, 500)
    assert "hunter2" not in answer.text
    assert "Traceback" not in answer.text
    assert "event=request_failed method=GET path=/api/v1/sites" in caplog.text
    assert_guarded(answer)


@pytest.mark.parametrize("error", [StoreBusy("locked by /secret/path"), StorageError("disk /secret/path")])
def test_a_store_in_trouble_is_503_and_names_no_file(
    house: House, manager: TestClient, monkeypatch: pytest.MonkeyPatch, error: StorageError
) -> None:
    def failing(*_: object) -> None:
        raise error

    monkeypatch.setattr(house.parts.registry.sites, "add", failing)
    answer = manager.post("/api/v1/sites", json={"slug": "a", "name": "A", "zone": "UTC"})
    assert is_problem(answer, 503)
    assert answer.headers["Retry-After"] == "5"
    assert "/secret" not in answer.text


def test_an_oversized_body_is_refused_whether_or_not_it_says_so(manager: TestClient) -> None:
    json_type = {"Content-Type": "application/json"}
    big = b" " * (1024 * 1024 + 1)
    assert is_problem(manager.post("/api/v1/piles", content=big, headers=json_type), 413)
    pieces = (big[:65536] for _ in range(17))
    assert is_problem(manager.post("/api/v1/piles", content=pieces, headers=json_type), 413)
    for length in ("9" * 30, "1048577"):
        told = manager.post("/api/v1/piles", content=b"{}", headers={**json_type, "Content-Length": length})
        assert is_problem(told, 413)
    assert manager.post("/api/v1/piles", content=big[:-1], headers=json_type).status_code == 422


def assert_guarded(answer: Any) -> None:
    """All the security headers, the policy with a nonce of its own."""
    policy = answer.headers["Content-Security-Policy"]
    (nonce,) = re.findall(r"'nonce-([A-Za-z0-9_-]{20,})'", policy)
    for name, value in security_headers(nonce).items():
        assert answer.headers[name] == value, name


def test_every_answer_carries_the_security_headers(house: House, manager: TestClient) -> None:
    for address in ("/healthz", "/api/v1/piles", "/nowhere", "/openapi.json", "/static/none.js"):
        answer = manager.get(address)
        assert_guarded(answer)
    policy = security_headers("x")["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "http" not in policy
    assert manager.get("/api/v1/piles").headers["Cache-Control"] == "no-store"


def test_no_page_of_documentation_is_fetched_from_elsewhere(manager: TestClient) -> None:
    assert manager.get("/docs").status_code == 404
    assert manager.get("/redoc").status_code == 404


def test_without_a_public_address_any_name_is_answered(manager: TestClient) -> None:
    assert manager.get("/healthz", headers={"Host": "whatever.example.com"}).status_code == 200


def test_with_a_public_address_a_foreign_name_is_refused(tmp_path: Path) -> None:
    settings = Settings.model_validate({"web": {"public_url": "https://yard.example.org/"}})
    house = build_house(tmp_path, settings)
    client = house.client()
    for host in ("yard.example.org", "127.0.0.1:8000", "[::1]:8000", "localhost", "turnbell.local", "shed"):
        assert client.get("/healthz", headers={"Host": host}).status_code == 200, host
    for host in ("evil.example.com", "yard.example.org.evil.com", "[::1", "a b.com"):
        assert is_problem(client.get("/healthz", headers={"Host": host}), 421), host
    close_house(house)


def test_the_description_names_a_problem_for_every_refusal(manager: TestClient) -> None:
    described = manager.get("/openapi.json").json()
    for path, methods in described["paths"].items():
        for method, operation in methods.items():
            if not path.startswith("/api/v1/"):
                continue
            for status in ("401", "403", "422", "default"):
                content = operation["responses"][status]["content"]
                assert list(content) == ["application/problem+json"], (method, path)
            good = [code for code in operation["responses"] if code.startswith("2")]
            assert len(good) == 1, (method, path)
            assert operation["tags"], (method, path)
