"""The rules and guides there are: those that come with the program, and the user's own."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from shared.heat.guide import DataFile, Guide
from shared.heat.rule_data import Rule
from shared.heat.toml_lines import line_of
from shared.piles import Pile

_Kind = TypeVar("_Kind", bound=DataFile)


class CatalogueError(Exception):
    """A rule or guide file that cannot be used; ``why`` says what is wrong on which ``line`` of ``file``."""

    def __init__(self, file: str, line: int, why: str) -> None:
        super().__init__(f"{file}, line {line}: {why}")
        self.file, self.line, self.why = file, line, why


class UnknownId(LookupError):
    """No rule or guide of that id; the text names those there are."""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """By id, in the order of the ids. A user's file with the id of ours takes its place."""

    rules: Mapping[str, Rule]
    guides: Mapping[str, Guide]
    default_guide: Guide

    @classmethod
    def load(cls, extra_dir: Path | None = None) -> Catalogue:
        """Read our files, then ``extra_dir/rules/*.toml`` and ``extra_dir/guides/*.toml``; raise CatalogueError."""
        rules = _load(Rule, "rules", extra_dir)
        guides = _load(Guide, "guides", extra_dir)
        own = _shipped(Guide, "guides")
        changed = {id_: guide for id_, guide in guides.items() if own.get(id_) != guide}
        defaults = [guide for guide in changed.values() if guide.default] or [
            guide for guide in guides.values() if guide.default
        ]
        default = defaults[0] if defaults else next(guide for guide in own.values() if guide.default)
        return cls(rules, guides, default)

    def rule(self, id_: str) -> Rule:
        return _pick("rule", self.rules, id_)

    def guide(self, id_: str | None) -> Guide:
        """None = the default guide."""
        return self.default_guide if id_ is None else _pick("guide", self.guides, id_)

    def asked_of(self, pile: Pile) -> tuple[Guide, list[Rule]]:
        """The pile's guide and rules; one that is no longer here is passed over."""
        guide = self.guides.get(pile.guide_id or "", self.default_guide)
        return guide, [self.rules[id_] for id_ in pile.rule_ids if id_ in self.rules]


def _pick(noun: str, there: Mapping[str, _Kind], id_: str) -> _Kind:
    try:
        return there[id_]
    except KeyError:
        raise UnknownId(f"no {noun} called {id_!r}; there are {', '.join(there)}") from None


def parse(kind: type[_Kind], text: str, file: str) -> _Kind:
    """Read one file's text as a Rule or a Guide; raise CatalogueError with the line that is wrong."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at line (\d+), column \d+\)", str(error))
        line = int(place.group(1)) if place else max(1, len(text.splitlines()))
        raise CatalogueError(file, line, f"not TOML: {re.sub(r' *[(]at .*[)]$', '', str(error))}") from None
    except RecursionError:
        raise CatalogueError(file, 1, "nested too deeply") from None
    try:
        return kind.model_validate(raw)
    except ValidationError as error:
        path, why = _first_fault(error.errors())
        raise CatalogueError(file, line_of(text, path), why) from None


def _first_fault(faults: Iterable[Any]) -> tuple[tuple[str | int, ...], str]:
    fault = next(iter(faults))
    path = tuple(fault["loc"])
    where = ".".join(str(part + 1 if isinstance(part, int) else part) for part in path)
    why = str(fault["msg"]).removeprefix("Value error, ")
    if fault["type"] == "extra_forbidden":
        why = "no such key; is it misspelt?"
    elif fault["type"] == "missing":
        why = "this key is missing"
    return path, f"{where}: {why}" if where else why


def _load(kind: type[_Kind], folder: str, extra_dir: Path | None) -> dict[str, _Kind]:
    found = dict(_shipped(kind, folder))
    if extra_dir is not None and (extra_dir / folder).is_dir():
        found |= _read(kind, sorted((extra_dir / folder).glob("*.toml")))
    return dict(sorted(found.items()))


@cache
def _shipped(kind: type[_Kind], folder: str) -> Mapping[str, _Kind]:
    files = resources.files("shared") / folder
    ours = (file for file in files.iterdir() if file.name.endswith(".toml"))
    return _read(kind, sorted(ours, key=lambda file: file.name))


def _read(kind: type[_Kind], files: Iterable[Traversable]) -> dict[str, _Kind]:
    found: dict[str, _Kind] = {}
    for file in files:
        try:
            text = file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise CatalogueError(str(file), 1, f"cannot be read as UTF-8 text: {error}") from error
        one = parse(kind, text, str(file))
        if one.id in found:
            raise CatalogueError(str(file), line_of(text, ("id",)), f"id: {one.id!r} is another file's too")
        found[one.id] = one
    return found
