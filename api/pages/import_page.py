"""A logger's file into a pile: sent, looked at, agreed to, watched, and taken back if it was wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, File, UploadFile
from fastapi.responses import RedirectResponse, Response

from api.auth import Manager
from api.import_shelf import ImportShelf
from api.pages.forms import Text
from api.pages.view import AnyView, View
from api.problems import ProblemError, unprocessable
from shared.file_layout import FileError
from shared.import_preview import preview_of
from shared.imports import ImportRefused, find_import, imports_of, undo_import
from shared.piles import Pile

if TYPE_CHECKING:
    from shared.reading_files import ReadingsFile

router = APIRouter(include_in_schema=False)
AT_ONCE_S = 1.0  # a small file is stored before the page comes back
DELIMITER_WORDS = {",": "commas", ";": "semicolons", "\t": "tabs"}


def _shelf(view: View) -> ImportShelf:
    shelf: ImportShelf = view.request.app.state.imports
    return shelf


@router.get("/piles/{pile_id}/import")
def import_page(pile_id: str, view: AnyView, _: Manager) -> Response:
    pile, zone = _pile(view, pile_id)
    return _import_page(view, pile, zone)


def _import_page(view: View, pile: Pile, zone: str, probe: str = "", wrong: str = "") -> Response:
    held = imports_of(view.parts.registry, pile.id)
    shelf = _shelf(view)
    running = {one.id for one in held if one.state == "running" and shelf.is_running(one.id)}
    slips = {"readings": wrong} if wrong else {}
    return view.page(
        "import.html",
        422 if wrong else 200,
        pile=pile,
        zone=zone,
        probe=probe,
        imports=held,
        running=running,
        slips=slips,
    )


@router.post("/piles/{pile_id}/import/preview")
def look(
    pile_id: str,
    view: AnyView,
    _: Manager,
    readings: Annotated[UploadFile | None, File()] = None,
    zone: Text = "",
    probe: Text = "",
    kept: Text = "",
    name: Text = "",
) -> Response:
    """A file just sent, or one that is here already to be read in another zone or under another name."""
    pile, site_zone = _pile(view, pile_id)
    shown = readings.filename if readings is not None and readings.filename else name
    raw = readings.file.read() if readings is not None else b""
    if raw:
        kept = _shelf(view).keep(raw, pile, view.now)
    zone = zone.strip() or site_zone
    if not kept:
        empty = readings is not None and readings.filename
        wrong = f"{shown} is empty." if empty else "Choose a file first."
        return _import_page(view, pile, zone, probe.strip(), wrong)
    context: dict[str, Any] = {
        "pile": pile,
        "zone": zone,
        "kept": kept,
        "name": shown or "file.csv",
        "probe": probe.strip(),
    }
    try:
        read = _read(view, kept, pile, zone, probe.strip())
    except ProblemError as error:
        return view.page(
            "import_preview.html", 422, **context, read=None, preview=None, wrong=error.detail, divided=""
        )
    preview = preview_of(view.parts.registry, read, pile, view.now)
    divided = DELIMITER_WORDS[read.delimiter]
    return view.page("import_preview.html", **context, read=read, preview=preview, wrong="", divided=divided)


@router.post("/piles/{pile_id}/import")
def store(
    pile_id: str, view: AnyView, caller: Manager, kept: Text, zone: Text, probe: Text = "", name: Text = ""
) -> RedirectResponse:
    pile, _ = _pile(view, pile_id)
    read = _read(view, kept, pile, zone, probe)
    try:
        record = _shelf(view).start(view.parts.registry, kept, read, pile, name, caller.name, view.now)
    except ImportRefused as error:
        raise unprocessable("file", str(error)) from None
    _shelf(view).wait(record.id, AT_ONCE_S)
    return view.back(f"/piles/{pile.id}/import", f"{name or 'The file'} is being stored in {pile.peg}.")


@router.post("/piles/{pile_id}/import/drop")
def drop(pile_id: str, view: AnyView, _: Manager, kept: Text) -> RedirectResponse:
    pile, _zone = _pile(view, pile_id)
    _shelf(view).drop(kept, pile)
    return view.back(f"/piles/{pile.id}/import", "Thrown away; nothing was stored.")


@router.post("/piles/{pile_id}/imports/{import_id}/undo")
def undo(pile_id: str, import_id: str, view: AnyView, _: Manager) -> RedirectResponse:
    pile, _zone = _pile(view, pile_id)
    record = find_import(view.parts.registry, import_id)
    if record.pile != pile.id or record.state == "undone":
        raise ProblemError(409, "This import was undone before, or belongs to another pile.")
    if _shelf(view).is_running(import_id):
        raise ProblemError(409, "It is still being stored; take it back once it is done.")
    taken = undo_import(view.parts.registry, view.parts.readings, record)
    return view.back(f"/piles/{pile_id}/import", f"{taken} readings taken back. What was there before stays.")


def _pile(view: View, pile_id: str) -> tuple[Pile, str]:
    pile = view.parts.registry.piles.get(pile_id)
    return pile, view.parts.registry.sites.get(pile.site).zone


def _read(view: View, kept: str, pile: Pile, zone: str, probe: str) -> ReadingsFile:
    try:
        read = _shelf(view).read(kept, pile, zone, probe)
    except FileError as error:
        where = f"line {error.line}: " if error.line is not None else ""
        raise unprocessable(
            "file", f"{where}{error.why}".replace("name the zone with --zone", "name the zone below")
        ) from None
    if read is None:
        raise ProblemError(410, "This file is not here any more; send it again.")
    return read
