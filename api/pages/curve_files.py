"""The heat curve and the heat map as files of their own, so that the page itself stays light."""

from __future__ import annotations

import gzip
import json
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.auth import Viewer
from api.pages.pile_page import curve_version
from api.pages.view import AnyView, View
from shared.chart_heat_map import heat_map_spec
from shared.chart_theme import Theme
from shared.charts import heat_curve_spec, render_svg
from shared.times import Millis

router = APIRouter(include_in_schema=False)
Width = Annotated[int, Query(alias="w", ge=280, le=2000)]
_WIDTHS = (360, 720, 1080)
_KEPT = 64


class _Shelf:
    """The pictures drawn last: drawing one costs more than keeping it."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[Any, ...], bytes] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: tuple[Any, ...], draw: Callable[[], bytes]) -> bytes:
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
                return found
        drawn = draw()
        with self._lock:
            self._kept[key] = drawn
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return drawn


_SHELF = _Shelf()


@router.get("/piles/{pile_id}/curve.svg")
def curve_svg(
    pile_id: str, view: AnyView, _: Viewer, w: Width = 720, theme: Theme = "light", v: str = ""
) -> Response:
    width = min(_WIDTHS, key=lambda one: abs(one - w))
    return _answer(
        view, pile_id, ("curve", width, theme), "image/svg+xml", v,
        lambda: render_svg(_curve(view, pile_id, width, theme)).encode(),
    )  # fmt: skip


@router.get("/piles/{pile_id}/curve.json")
def curve_json(
    pile_id: str,
    view: AnyView,
    _: Viewer,
    w: Width = 720,
    theme: Theme = "light",
    start: Annotated[int | None, Query(alias="from")] = None,
    end: Annotated[int | None, Query(alias="to")] = None,
    v: str = "",
) -> Response:
    """The Vega-Lite spec with its data; ``from`` and ``to`` in ms ask for a finer look at a stretch."""
    span = (Millis(start), Millis(end)) if start is not None and end is not None and start < end else None
    return _answer(
        view, pile_id, ("json", w, theme, span), "application/json", v,
        lambda: json.dumps(_curve(view, pile_id, w, theme, span), separators=(",", ":")).encode(),
    )  # fmt: skip


@router.get("/piles/{pile_id}/heat-map.svg")
def heat_map_svg(
    pile_id: str, view: AnyView, _: Viewer, w: Width = 720, theme: Theme = "light", v: str = ""
) -> Response:
    width = min(_WIDTHS, key=lambda one: abs(one - w))

    def draw() -> bytes:
        history, report, zone = _sources(view, pile_id)
        spec = heat_map_spec(history, report, units=view.units, zone=zone, width=width, theme=theme)
        return render_svg(spec).encode()

    return _answer(view, pile_id, ("map", width, theme), "image/svg+xml", v, draw)


def _sources(view: View, pile_id: str) -> tuple[Any, Any, str]:
    pile = view.parts.registry.piles.get(pile_id)
    zone = view.parts.registry.sites.get(pile.site).zone
    return view.parts.book.history(pile_id), view.report(pile), zone


def _curve(
    view: View, pile_id: str, width: int, theme: Theme, span: tuple[Millis, Millis] | None = None
) -> dict[str, Any]:
    history, report, zone = _sources(view, pile_id)
    return heat_curve_spec(
        history,
        report,
        units=view.units,
        zone=zone,
        width=width,
        height=300 if width < 500 else 420,
        theme=theme,
        span=span,
        points=max(200, min(500, width)),
    )


def _answer(
    view: View, pile_id: str, what: tuple[Any, ...], media: str, version: str, draw: Callable[[], bytes]
) -> Response:
    """Gzipped; kept by the browser for a while when its address names the version that it shows."""
    report = view.report(view.parts.registry.piles.get(pile_id))
    current = curve_version(report, view)
    tag = f'W/"{current}-{view.units}"'
    hold = "private, max-age=600" if version == current else "private, no-cache"
    headers = {"ETag": tag, "Cache-Control": hold, "Vary": "Cookie, Accept-Encoding"}
    if view.request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    key = (id(view.parts.book), pile_id, current, view.units, *what)
    packed = _SHELF.get(key, lambda: gzip.compress(draw(), 5, mtime=0))
    if "gzip" in view.request.headers.get("accept-encoding", ""):
        return Response(packed, media_type=media, headers=headers | {"Content-Encoding": "gzip"})
    return Response(gzip.decompress(packed), media_type=media, headers=headers)
