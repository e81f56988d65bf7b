"""Files of the pages: style, scripts, the chart engine. Their address carries a digest, so a browser keeps them for
good and still never shows an old one."""

from __future__ import annotations

import gzip
import hashlib
import logging
import os
import threading
from collections.abc import Callable
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import vl_convert
from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from api.parts import Parts, parts_of
from api.problems import ProblemError

log = logging.getLogger(__name__)
router = APIRouter(include_in_schema=False)
STATIC = Path(__file__).parent.parent / "static"
TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
FOR_GOOD = "public, max-age=31536000, immutable"
ENGINE_FILE = f"chart-engine-{version('vl-convert-python')}-v1.js.gz"
_ENGINE_LOCK = threading.Lock()


@lru_cache(maxsize=1)
def _files() -> tuple[str, dict[str, tuple[bytes, bytes]]]:
    """The digest of them all (scripts name each other), and each as it is and gzipped."""
    digest = hashlib.sha256()
    found = {}
    for file in sorted(STATIC.iterdir()):
        if file.suffix in TYPES:
            raw = file.read_bytes()
            digest.update(file.name.encode() + b"\0" + raw + b"\0")
            found[file.name] = (raw, gzip.compress(raw, 9, mtime=0))
    return digest.hexdigest()[:12], found


def address(name: str) -> str:
    digest, found = _files()
    if name not in found:
        raise KeyError(name)
    return f"/static/{digest}/{name}"


def engine_address() -> str:
    return f"/static/engine/{ENGINE_FILE.removesuffix('.gz')}"


@router.get("/static/engine/{name}")
def chart_engine(name: str, request: Request, parts: Annotated[Parts, Depends(parts_of)]) -> Response:
    """The Vega bundle that vl_convert carries, written once into the data folder; no network."""
    if name != ENGINE_FILE.removesuffix(".gz"):
        raise ProblemError(404, "There is no such chart engine here.")
    packed = _engine(parts.data_dir / "cache")
    return _answer(request, TYPES[".js"], lambda: gzip.decompress(packed), packed)


@router.get("/static/{digest}/{name}")
def static_file(digest: str, name: str, request: Request) -> Response:
    current, found = _files()
    if digest != current or name not in found:
        raise ProblemError(404, "This file is of another edition of the pages; reload the page.")
    raw, packed = found[name]
    return _answer(request, TYPES[Path(name).suffix], lambda: raw, packed)


@router.get("/sw.js")
def service_worker(request: Request) -> Response:
    """At the root, so that it may look after every page."""
    raw, packed = _files()[1]["sw.js"]
    answer = _answer(request, TYPES[".js"], lambda: raw, packed)
    answer.headers["Cache-Control"] = "no-cache"
    return answer


@router.get("/manifest.webmanifest")
def manifest(request: Request) -> Response:
    raw, packed = _files()[1]["manifest.webmanifest"]
    answer = _answer(request, TYPES[".webmanifest"], lambda: raw, packed)
    answer.headers["Cache-Control"] = "no-cache"
    return answer


@router.get("/favicon.ico")
def favicon(request: Request) -> Response:
    raw, packed = _files()[1]["icon.svg"]
    return _answer(request, TYPES[".svg"], lambda: raw, packed)


def _answer(request: Request, media: str, raw: Callable[[], bytes], packed: bytes) -> Response:
    headers = {"Cache-Control": FOR_GOOD, "Vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(packed, media_type=media, headers=headers | {"Content-Encoding": "gzip"})
    return Response(raw(), media_type=media, headers=headers)


def _engine(cache: Path) -> bytes:
    file = cache / ENGINE_FILE
    with _ENGINE_LOCK:
        try:
            return file.read_bytes()
        except FileNotFoundError:
            packed = gzip.compress(
                vl_convert.javascript_bundle("export default vegaEmbed;").encode(), 9, mtime=0
            )
        try:
            cache.mkdir(parents=True, exist_ok=True)
            waiting = file.with_suffix(f".{os.getpid()}")
            waiting.write_bytes(packed)
            waiting.replace(file)
        except OSError as error:
            log.warning("event=chart_engine_not_kept file=%s error=%s", file, error)
        return packed
