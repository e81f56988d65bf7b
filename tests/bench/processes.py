"""Processor time and memory of everything that runs below this process, by program, from /proc."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

TICKS_S = os.sysconf("SC_CLK_TCK")
PROGRAMS = ("postgres", "victoria", "mosquitto")  # all else is the service itself


def cpu_s_by_program() -> dict[str, float]:
    """With those of ended children."""
    found: dict[str, float] = defaultdict(float)
    for _, program, fields in _below():
        found[program] += sum(map(int, fields[11:15])) / TICKS_S
    return found


def mib_by_program() -> dict[str, float]:
    """Memory now; of a page that several share, each has its part."""
    found: dict[str, float] = defaultdict(float)
    for pid, program, _ in _below():
        try:
            text = Path(f"/proc/{pid}/smaps_rollup").read_text()
        except OSError:
            continue
        share = re.search(r"^Pss:\s+(\d+) kB", text, re.MULTILINE)
        found[program] += int(share[1]) / 1024 if share else 0.0
    return found


def _below() -> Iterator[tuple[int, str, list[str]]]:
    """(pid, program, the fields of its stat after the name) of all below this process."""
    stats = {}
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            stats[int(file.parent.name)] = file.read_text()
        except OSError:
            continue
    parents = {pid: int(_fields(stat)[1]) for pid, stat in stats.items()}
    for pid, stat in stats.items():
        if _is_below(pid, parents):
            name = stat[stat.index("(") + 1 : stat.rindex(")")]
            yield pid, next((known for known in PROGRAMS if known in name), "turnbell"), _fields(stat)


def _fields(stat: str) -> list[str]:
    return stat[stat.rindex(")") + 2 :].split()


def _is_below(pid: int, parents: dict[int, int]) -> bool:
    while (pid := parents.get(pid, 0)) > 1:
        if pid == os.getpid():
            return True
    return False
