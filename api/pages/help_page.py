"""The guides, as pages: the Markdown files of ``shared/help``, which also read well in the repository."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from fastapi import APIRouter, HTTPException
from fastapi.responses import FileResponse, Response
from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

import shared
from api.pages.view import AnyView

router = APIRouter(include_in_schema=False)

HELP = Path(shared.__file__).parent / "help"
CONTENTS = "contents"
_GUIDES = {file.stem: file for file in HELP.glob("*.md")}
_FILES = {file.name: file for file in [*(HELP / "pictures").iterdir(), *HELP.glob("*.json")]}


@router.get("/help")
def contents_page(view: AnyView) -> Response:
    return _page(view, CONTENTS)


@router.get("/help/{name}")
def guide_page(name: str, view: AnyView) -> Response:
    return _file(name) if name in _FILES else _page(view, name)


@router.get("/help/pictures/{name}")
def picture(name: str) -> Response:
    return _file(name)


def _file(name: str) -> Response:
    """Only names found at the start are known: no path comes from outside."""
    if name not in _FILES:
        raise HTTPException(404, "there is no such file; /help lists the guides")
    return FileResponse(_FILES[name], headers={"Cache-Control": "max-age=3600"})


def _page(view: AnyView, guide: str) -> Response:
    if guide not in _GUIDES:
        raise HTTPException(404, "there is no such guide; /help lists them")
    title, body = rendered(guide)
    # our own files, rendered with raw HTML escaped
    return view.page("help.html", title=title, body=Markup(body), contents=guide == CONTENTS)  # noqa: S704


@lru_cache
def rendered(guide: str) -> tuple[str, str]:
    """The title and the HTML of one guide. Raw HTML in the Markdown is escaped, links between guides lead to pages."""
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse(_GUIDES[guide].read_text("utf-8"))
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            token.attrSet("id", anchor(tokens[at + 1].content))
        for inner in token.children or ():
            _lead_to_pages(inner)
    return tokens[1].content, _roomy(str(parser.renderer.render(tokens, parser.options, {})))


def anchor(heading: str) -> str:
    """The name a heading is linked by, as repositories of Markdown files make it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def _lead_to_pages(token: Token) -> None:
    if token.type == "link_open":
        address = str(token.attrGet("href"))
        page = re.fullmatch(r"([a-z_]+)\.md(#.*)?", address)
        if page:
            token.attrSet("href", f"/help/{page[1]}{page[2] or ''}")
        elif address in _FILES:
            token.attrSet("href", f"/help/{address}")
    elif token.type == "image":
        token.attrSet("src", f"/help/{token.attrGet('src')}")
        token.attrSet("loading", "lazy")


def _roomy(html: str) -> str:
    """Tables scroll by themselves on a phone, and by keyboard."""
    return html.replace(
        "<table>", '<div class="scroll" role="region" aria-label="Table" tabindex="0"><table>'
    ).replace("</table>", "</table></div>")
