"""The Markdown that people read, and what stands in its code blocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token

from api.pages.help_page import HELP

ROOT = Path(__file__).parents[2]
FILES = {file.name: file for file in [*sorted(HELP.glob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md"]}


@dataclass(frozen=True)
class Block:
    file: str
    line: int
    language: str
    text: str

    @property
    def id(self) -> str:
        return f"{self.file}:{self.line}"


@cache
def tokens(file: Path) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse(file.read_text("utf-8"))


def blocks(language: str) -> list[Block]:
    return list(_blocks(language))


def _blocks(language: str) -> Iterator[Block]:
    for name, file in FILES.items():
        for token in tokens(file):
            if token.type == "fence" and token.info.strip() == language:
                yield Block(name, (token.map or [0])[0] + 1, language, token.content)


def code(file: Path) -> Iterator[tuple[int, str]]:
    """The line and the language of every block of code; ``indented`` where it has no fence."""
    for token in tokens(file):
        if token.type in {"fence", "code_block"}:
            yield (token.map or [0])[0] + 1, token.info.strip() if token.type == "fence" else "indented"


def spans(file: Path) -> Iterator[str]:
    """What stands between backticks in the running text."""
    return (
        inner.content
        for token in tokens(file)
        for inner in token.children or ()
        if inner.type == "code_inline"
    )


def links(file: Path) -> Iterator[str]:
    """Where every link and picture leads."""
    for token in tokens(file):
        for inner in token.children or ():
            target = inner.attrGet("href") if inner.type == "link_open" else inner.attrGet("src")
            if target:
                yield str(target)


def headings(file: Path) -> Iterator[str]:
    found = tokens(file)
    return (found[at + 1].content for at, token in enumerate(found) if token.type == "heading_open")
