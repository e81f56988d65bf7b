"""A registry's memory that lasts as long as the test."""

from __future__ import annotations

from shared.times import Millis


class DictMemory:
    def __init__(self) -> None:
        self._facts: dict[str, str] = {}
        self._answered: dict[str, Millis] = {}

    def get(self, name: str) -> str | None:
        return self._facts.get(name)

    def set(self, name: str, value: str) -> None:
        self._facts[name] = value

    def set_once(self, name: str, value: str) -> str:
        return self._facts.setdefault(name, value)

    def remember(self, key: str, scope: str, answer: str, at: Millis) -> str | None:
        name = f"{scope}\n{key}"
        if name in self._facts:
            return self._facts[name]
        self._facts[name] = answer
        self._answered[name] = at
        return None

    def forget_answers(self, before: Millis) -> int:
        old = [name for name, at in self._answered.items() if at < before]
        for name in old:
            del self._facts[name], self._answered[name]
        return len(old)

    def names(self, prefix: str) -> dict[str, str]:
        return {name: value for name, value in self._facts.items() if name.startswith(prefix)}
