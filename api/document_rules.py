"""How the rules stand on the batch record: a few on the page, how they were read in the appendix."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from api.document_words import STATUS_WORDS
from shared.heat.report import HeatReport, RuleReading
from shared.heat.rule_beside import beside
from shared.heat.rule_words import STATUS_NOTE
from shared.times import Millis

ON_PAGE = 5
_ORDER = {"met": 0, "open": 1, "broken": 2, "not_applicable": 3}


@dataclass(frozen=True, slots=True)
class RuleCards:
    on_page: list[dict[str, Any]]
    in_appendix: list[dict[str, Any]]
    words: str


def rule_cards(
    report: HeatReport,
    chosen: Sequence[str],
    time: Callable[[Millis | None], str],
    local: Callable[[str], str],
) -> RuleCards:
    """Those chosen for the pile stand on the page, as many as fit; with none chosen all are, the met ones first."""
    by_standing = sorted(
        report.rules, key=lambda rule: (_ORDER[rule.status], rule.source_status == "from memory, unverified")
    )
    asked = [rule for id_ in chosen for rule in report.rules if rule.id == id_]
    on_page = (asked or by_standing)[:ON_PAGE]
    rest = [rule for rule in asked or by_standing if rule not in on_page]
    words = "How each was read, with its source, stands in the appendix."
    if rest:
        words = f"{len(rest)} more rules were read; they too stand in the appendix. {words}"
    return RuleCards(
        [_card(rule, time, local) for rule in on_page],
        [_card(rule, time, local) for rule in [*on_page, *rest]],
        words,
    )


def _card(
    rule: RuleReading, time: Callable[[Millis | None], str], local: Callable[[str], str]
) -> dict[str, Any]:
    if rule.status == "met":
        verdict = f"reached {time(rule.met_at)}"
    else:
        verdict = local("; ".join(rule.missing[:1])) or STATUS_WORDS[rule.status]
    return {
        "id": rule.id,
        "title": rule.title,
        "edition": f"{rule.edition} ({STATUS_NOTE[rule.source_status]})",
        "status": rule.status,
        "status_words": STATUS_WORDS[rule.status],
        "verdict": verdict,
        "reading": local(rule.reading),
        "missing": [local(missing) for missing in rule.missing],
        "beside": [local(line) for line in beside(rule)],
        "source": rule.source,
        "source_status": rule.source_status,
    }
