"""Sites."""

from __future__ import annotations

from shared.piles import Site
from shared.stores.registry import tables as t
from shared.stores.registry.rows import Shape
from shared.stores.registry.work import Work

SITE = Shape(Site, t.sites, "site", key="slug")


class SqlSites:
    def __init__(self, work: Work) -> None:
        self._work = work

    def add(self, site: Site) -> None:
        with self._work.write(f"adding site {site.slug}", facts=True) as connection:
            SITE.insert(connection, site)

    def get(self, slug: str) -> Site:
        with self._work.read("reading a site") as connection:
            return SITE.get(connection, slug)

    def all(self) -> list[Site]:
        with self._work.read("reading sites") as connection:
            return SITE.listed(connection, SITE.query(order=["slug"]))
