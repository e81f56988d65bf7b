"""The pages: server-rendered, and whole without JavaScript."""

from __future__ import annotations

from fastapi import APIRouter

from api.pages import (
    access_page,
    account_page,
    assets,
    batches_page,
    build_page,
    curve_files,
    delete_forms,
    door_pages,
    figures_page,
    help_page,
    import_page,
    link_pages,
    log_forms,
    mix_page,
    notices_page,
    people_page,
    pile_forms,
    pile_page,
    plain_pages,
    probes_page,
    round_page,
    setup_page,
    single_pages,
    vitals_picture,
)
from api.pages.door_pages import problem_page

__all__ = ["problem_page", "router"]

router = APIRouter(include_in_schema=False)
for _page in (
    assets,
    round_page,
    pile_forms,
    build_page,
    pile_page,
    curve_files,
    figures_page,
    import_page,
    log_forms,
    mix_page,
    notices_page,
    batches_page,
    probes_page,
    vitals_picture,
    people_page,
    plain_pages,
    setup_page,
    help_page,
    single_pages,
    account_page,
    access_page,
    delete_forms,
    door_pages,
    link_pages,
):
    router.include_router(_page.router)
