"""Time-temperature rules and turning guides, as their files have them."""

from __future__ import annotations

from fastapi import APIRouter

from api.auth import Viewer
from api.parts import PartsHere
from api.v1.wire import PAGE, PREFIX, Cursor, Limit, Page, page_of
from shared.heat.guide import Guide
from shared.heat.rule_data import Rule

router = APIRouter(prefix=PREFIX, tags=["rules and guides"])


@router.get("/rules")
def list_rules(parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE) -> Page[Rule]:
    """By id."""
    found = parts.catalogue.rules.values()
    return page_of(found, lambda rule: rule, lambda rule: (rule.id,), cursor, limit)


@router.get("/rules/{rule}")
def get_rule(rule: str, parts: PartsHere, _: Viewer) -> Rule:
    return parts.catalogue.rule(rule)


@router.get("/guides")
def list_guides(parts: PartsHere, _: Viewer, cursor: Cursor = None, limit: Limit = PAGE) -> Page[Guide]:
    """By id."""
    found = parts.catalogue.guides.values()
    return page_of(found, lambda guide: guide, lambda guide: (guide.id,), cursor, limit)


@router.get("/guides/{guide}")
def get_guide(guide: str, parts: PartsHere, _: Viewer) -> Guide:
    return parts.catalogue.guide(guide)
