"""`make bench`: run every tests/bench/bench_*.py; each prints one JSON object a line."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path


def main() -> None:
    wanted = sys.argv[1:]
    for file in sorted(Path(__file__).parent.glob("bench_*.py")):
        if not wanted or file.stem.removeprefix("bench_") in wanted:
            importlib.import_module(f"tests.bench.{file.stem}").main()


main()
