"""What can be taken away for good: a person, a way to reach them, a placement that never was."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse

from api.auth import Manager
from api.pages.view import AnyView
from api.v1 import channels, people, placements

router = APIRouter(include_in_schema=False)


@router.post("/people/{person_id}/delete")
def delete_person(person_id: str, view: AnyView, caller: Manager) -> RedirectResponse:
    people.delete_person(person_id, view.parts, caller)
    return view.back("/people", "Deleted. What they were told stays on record.")


@router.post("/channels/{channel_id}/delete")
def delete_channel(channel_id: str, view: AnyView, caller: Manager) -> RedirectResponse:
    channels.delete_channel(channel_id, view.parts, caller)
    return view.back("/people", "Deleted. What was not sent through it yet is not sent any more.")


@router.post("/placements/{placement_id}/delete")
def delete_placement(placement_id: str, view: AnyView, caller: Manager) -> RedirectResponse:
    placements.delete_placement(placement_id, view.parts, caller)
    return view.back(
        "/probes", "Deleted. The readings of that time belong to no pile now; place the probe anew."
    )
