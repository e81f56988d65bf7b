"""One role's process, started again under the same name and data directory."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol


class Process(Protocol):
    def kill(self) -> object: ...
    def wait(self, timeout: float) -> object: ...


Launch = Callable[[list[str], dict[str, str], Path], Process]


@dataclass
class Role:
    """One process, started again under the same name and data directory."""

    name: str
    command: list[str]
    environment: dict[str, str]
    log: Path
    launch: Launch
    process: Process | None = None
    web: str = ""
    starts: int = 0
    killed_at: list[float] = field(default_factory=list)

    @property
    def kind(self) -> str:
        return self.name.partition("-")[0]

    def start(self) -> None:
        self.process = self.launch(self.command, self.environment, self.log)
        self.starts += 1

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait(30)
            self.killed_at.append(time.time())

    def is_up(self) -> bool:
        said = self.log.read_text("utf-8", "replace") if self.log.exists() else ""
        return said.count("Turnbell is at" if self.web else "Running:") >= self.starts
