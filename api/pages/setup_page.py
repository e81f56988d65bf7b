"""First run: from nothing to the first placed probe in five steps."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from api.auth import Manager
from api.pages.forms import Text, read
from api.pages.view import AnyView
from api.v1 import sites

router = APIRouter(include_in_schema=False)


@router.get("/setup")
def setup_page(view: AnyView, _: Manager) -> Response:
    registry, settings = view.parts.registry, view.parts.settings
    found = registry.sites.all()
    piles = registry.piles.all(open_only=True)
    probes = registry.probes.all()
    placed = registry.probes.placements()
    reachable = {one.person_id for one in registry.people.channels() if one.disabled_at is None}
    told = {one.person_id for one in registry.people.subscriptions()}
    site = found[0].slug if found else "yard"
    host = settings.mqtt.host or view.request.url.hostname or "localhost"
    return view.page(
        "setup.html",
        sites=found,
        piles=piles,
        probes=probes,
        placed=placed,
        told=bool(reachable & told),
        probe=probes[0].name if probes else "probe-1",
        command=(
            f"mosquitto_pub -h {host} -p {settings.mqtt.port} -q 1 -t turnbell/{site}/probe-1/readings "
            '-m \'{"celsius":{"15":21.4,"45":23.1}}\''
        ),
        topic=f"turnbell/{site}/probe-1/readings",
        payload='{"celsius":{"15":21.4,"45":23.1},"battery_percent":87}',
    )


@router.post("/sites")
def add_site(view: AnyView, caller: Manager, slug: Text, name: Text, zone: Text) -> RedirectResponse:
    sites.add_site(read(sites.SiteIn, slug=slug.strip(), name=name, zone=zone), view.parts, caller)
    return view.back("/setup", f"{name} is there.")
