"""A placement as it was in truth, after the fact."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from shared.piles import Placement
from shared.ports import Registry
from shared.times import Millis, Span


def correct(registry: Registry, placement_id: str, **fields: Any) -> Placement:
    """Change these fields of a placement (``span`` whole), in one transaction.

    A probe that came straight from another place left it when it arrived here: with this start the end there moves too,
    though not past the finish of a pile that it left for that. NotFound, Conflict (the probe was elsewhere then):
    nothing has changed.
    """
    with registry.begin() as tx:
        held = tx.probes.placement(placement_id)
        wanted = replace(held, **fields)
        begins = wanted.span.start
        same_probe = (wanted.site, wanted.probe) == (held.site, held.probe)
        before = [
            one
            for one in tx.probes.placements(site=held.site, probe=held.probe)
            if same_probe
            and one.id != held.id
            and one.span.end == held.span.start != begins >= one.span.start
        ]
        steps: list[tuple[str, dict[str, Any]]] = [(held.id, fields)]
        for one in before:
            finished_at = tx.piles.get(one.pile_id).finished_at
            ends = begins if finished_at is None else Millis(min(begins, finished_at))
            steps.append((one.id, {"span": Span(one.span.start, ends)}))
        if begins < held.span.start:
            steps.reverse()  # make room first
        for which, what in steps:
            tx.probes.change_placement(which, **what)
        return tx.probes.placement(held.id)
