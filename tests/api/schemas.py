"""Values that fit, nearly fit, or do not fit a JSON schema."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

JUNK: list[Any] = [
    None, True, -1, 0, 1e308, float("nan"), float("inf"), 2**63, -(2**63) - 1, 10**400, "", " ", "\x00", "\ud800", "💩" * 40,
    "<script>alert(1)</script>", "'; drop table piles; --", "../../etc/passwd", "%s%n{0}${7*7}", "=1+1", "x" * 5000,
    "2026-11-25T06:00:00", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "2026-11-25T06:00:00Z", [], {},
    [[[[[]]]]], {"a": {"b": None}}, {"__class__": 1},
]  # fmt: skip
TIMES = [
    "2026-11-20T06:00:00Z", "2026-11-22T06:00:00Z", "2026-11-25T05:59:59.999+00:00", "2026-11-25T06:00:00+01:00",
    "1970-01-01T00:00:00Z", "2199-12-31T23:59:59Z", "2200-01-01T00:00:00Z", "2026-W48-3T06:00Z", "20261125T060000Z",
]  # fmt: skip
PILES = ["pile-K-01", "pile-K-02", "pile-K-03", "larkfield:K-02"]
HINTS: dict[str, list[str]] = {
    "site": ["larkfield"], "slug": ["larkfield", "meadow-1", "meadow-2"], "pile": PILES, "peg": ["K-01", "K-07", "K-08"],
    "probe": ["lance-1", "lance-2", "probe-1"], "placement": ["place-1", "place-2"], "turn": ["t-1"], "note": ["w-1"],
    "person": ["p-1"], "account": ["a-1"], "channel": ["c-1"], "episode": ["e-1", "e-2"], "notice": ["n-1"], "subscription": ["s-1"], "token": ["k-1"],
    "rule": ["three-turns"], "guide": ["five-turns"], "rule_ids": ["three-turns"], "guide_id": ["five-turns"],
    "zone": ["UTC", "Europe/Dublin"], "name": ["Mina", "Rowan"], "address": ["mina@example.org"], "topic": ["yard/bell"],
    "url": ["https://example.org/hook", "json://example.org"], "message": ["1", "2"], "depth": ["45"],
    "escalate_to": ["p-1"], "on_duty": ["Mon-Fri 07:00-18:00"], "points": ["4", "100"], "limit": ["1", "50"],
}  # fmt: skip
"""What fits a parameter or a property of that name, as far as the schema cannot say it."""


def values(schema: dict[str, Any], parts: dict[str, Any], name: str = "") -> st.SearchStrategy[Any]:
    """Mostly what ``schema`` wants under that name; one time in sixteen something else."""
    return st.integers(0, 15).flatmap(
        lambda dice: st.sampled_from(JUNK) if dice == 0 else _fitting(schema, parts, name)
    )


def _fitting(schema: dict[str, Any], parts: dict[str, Any], name: str) -> st.SearchStrategy[Any]:
    if "$ref" in schema:
        return _fitting(parts[schema["$ref"].rpartition("/")[2]], parts, name)
    for choice in ("anyOf", "oneOf"):
        if choice in schema:
            return st.one_of([_fitting(one, parts, name) for one in schema[choice]])
    if "const" in schema:
        return st.just(schema["const"])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    return _typed(schema, parts, name)


def _typed(schema: dict[str, Any], parts: dict[str, Any], name: str) -> st.SearchStrategy[Any]:
    kind = schema.get("type")
    if kind == "object":
        return _objects(schema, parts)
    if kind == "array":
        return st.lists(values(schema.get("items", {}), parts, name), max_size=3)
    if kind == "string":
        if schema.get("format") == "date-time":
            return st.sampled_from(TIMES)
        return st.sampled_from(HINTS[name]) if name in HINTS else st.text(max_size=20)
    plain: dict[str | None, st.SearchStrategy[Any]] = {
        "integer": st.integers(-10, 1_100),
        "number": st.floats(allow_nan=False, width=32),
        "boolean": st.booleans(),
        "null": st.none(),
    }
    return plain.get(kind, st.sampled_from(JUNK))


def _objects(schema: dict[str, Any], parts: dict[str, Any]) -> st.SearchStrategy[Any]:
    named = schema.get("properties")
    if not named:
        return st.dictionaries(st.text(max_size=5), st.sampled_from(JUNK), max_size=3)
    needed = set(schema.get("required", ()))
    return st.fixed_dictionaries(
        {name: values(inner, parts, name) for name, inner in named.items() if name in needed},
        optional={name: values(inner, parts, name) for name, inner in named.items() if name not in needed},
    )
