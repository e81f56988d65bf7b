"""A manager takes a whole site along as one file, and brings it in elsewhere."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

from api.auth import create_token
from deploy.cli import run
from deploy.house import open_house
from shared.piles import Placement, Site
from shared.settings import Settings
from shared.times import HOUR, Millis, Span
from tests.api.conftest import BUILT, NOW, SITE, House


def test_the_file_holds_the_site_and_goes_in_elsewhere(house: House, tmp_path: Path) -> None:
    pile = house.pile(finished_at=Millis(BUILT + 50 * HOUR))
    house.hear("P1", "45", [40.0 + 0.1 * step for step in range(90)])
    house.parts.registry.probes.place(Placement("w1", SITE.slug, "P1", pile.id, Span(BUILT), "core"))
    answer = house.client("manager").get("/api/v1/sites/larkfield/export.zip")
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == 'attachment; filename="larkfield.zip"'
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        assert set(packed.namelist()) == {"site.json", "readings/P1.csv"}
    file = tmp_path / "larkfield.zip"
    file.write_bytes(answer.content)
    assert run(["site", "import", str(file), "--data", str(tmp_path / "new")]) == 0
    new = open_house(tmp_path / "new", Settings())
    assert new.book.report(pile.id, NOW) == house.parts.book.report(pile.id, NOW)
    new.close()


def test_a_manager_of_another_site_cannot_take_it(house: House) -> None:
    house.parts.registry.sites.add(Site("meadow", "Meadow", "UTC"))
    secret = create_token(house.parts.registry, "manager", "meadow's", NOW, site="meadow")
    client = house.client(Authorization=f"Bearer {secret}")
    assert client.get("/api/v1/sites/meadow/export.zip").status_code == 200
    assert client.get("/api/v1/sites/larkfield/export.zip").status_code in {403, 404}
    assert house.client("manager").get("/api/v1/sites/none/export.zip").status_code == 404


def test_who_took_the_site_along_stands_in_the_audit_log(house: House, tmp_path: Path) -> None:
    registry = house.parts.registry
    house.hear("P1", "45", [40.0, 41.0])
    secret = create_token(registry, "manager", "Orla's laptop", NOW)
    client = house.client(Authorization=f"Bearer {secret}")
    assert client.get("/api/v1/sites/larkfield/export.zip").status_code == 200
    deed = registry.audit.latest(limit=1)[0].deed
    assert (deed.who, deed.act, deed.what, deed.site) == (
        "Orla's laptop",
        "sites.export",
        "larkfield",
        "larkfield",
    )
    assert (deed.at, deed.detail) == (NOW, {"readings": 2})
    assert deed.by.startswith("token:")
    before = registry.audit.latest(limit=1)[0].seq
    assert client.get("/api/v1/sites/none/export.zip").status_code == 404
    assert registry.audit.latest(limit=1)[0].seq == before
