"""The targets of ``fuzz_files`` once more, led by which lines a piece of data reaches (Atheris).

`pip install atheris`, then `python -m tests.security.fuzz_coverage decoders 600`; it is no part of the lock, because it
is built for few platforms. The first finding ends it, with the bytes in a file whose name it prints.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from pathlib import Path

try:
    import atheris
except ImportError:
    sys.exit("Atheris is not installed: pip install atheris (wheels for Linux and macOS)")

with atheris.instrument_imports(
    include=["ingest", "shared.file", "shared.heat", "shared.reading_files", "shared.mix", "shared.settings", "cbor2", "tomllib", "json"]
):  # fmt: skip
    from tests.security.fuzz_files import TARGETS


def main() -> None:
    name, seconds = sys.argv[1], float(sys.argv[2]) if len(sys.argv) > 2 else 600.0
    target, good = TARGETS[name]
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as scratch, tempfile.TemporaryDirectory() as corpus:
        for number, raw in enumerate(good):
            (Path(corpus) / str(number)).write_bytes(raw)
        limits = [f"-max_total_time={round(seconds)}", "-max_len=8192", "-rss_limit_mb=2048", "-timeout=30"]
        atheris.Setup([sys.argv[0], *limits, corpus], lambda raw: target(raw, Path(scratch)))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
