"""A PostgreSQL server of one's own: made in a new folder, reached through a socket in it, gone at the end."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

DEADLINE_S = 60.0
_numbers = count(1)


def programs() -> Path | None:
    """The folder of initdb and postgres: on the PATH, or where Debian keeps them off it."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((folder for folder in folders if (folder / "postgres").is_file()), None)


class Server:
    """``url`` reaches its first database; ``fresh`` gives the address of a new, empty one."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.url = self._address("postgres")

    def _address(self, database: str) -> str:
        return f"postgresql://turnbell@/{database}?host={self._folder}"

    def run(self, statement: str) -> None:
        engine = create_engine(
            self.url.replace("postgresql:", "postgresql+psycopg:"), isolation_level="AUTOCOMMIT"
        )
        try:
            with engine.connect() as connection:
                connection.execute(text(statement))
        finally:
            engine.dispose()

    def fresh(self) -> str:
        name = f"registry_{next(_numbers)}"
        self.run(f"CREATE DATABASE {name}")
        return self._address(name)


@contextmanager
def running(bin_: Path) -> Iterator[Server]:
    """PostgreSQL refuses to run as root, so root hands it to an account that may do nothing."""
    folder = Path(tempfile.mkdtemp(prefix="turnbell-pg-", dir="/tmp"))  # a socket's path must be short
    account = pwd.getpwnam("nobody") if os.geteuid() == 0 else None
    if account is not None:
        os.chown(folder, account.pw_uid, account.pw_gid)
    who: dict[str, Any] = (
        {} if account is None else {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}
    )
    data = folder / "data"
    options = [
        "-D",
        str(data),
        "-k",
        str(folder),
        "-c",
        "listen_addresses=",
        "-c",
        "fsync=off",
        "-c",
        "max_connections=60",
    ]
    process = None
    log = (folder / "log").open("wb")
    try:
        make = [
            str(bin_ / "initdb"),
            "-D",
            str(data),
            "-U",
            "turnbell",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--locale=C",
            "--no-sync",
        ]
        subprocess.run(make, check=True, stdout=log, stderr=log, cwd=folder, timeout=DEADLINE_S, **who)
        process = subprocess.Popen(
            [str(bin_ / "postgres"), *options], stdout=log, stderr=log, cwd=folder, **who
        )
        server = Server(folder)
        _wait_until_up(server, process, folder / "log")
        yield server
    finally:
        if process is not None:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(DEADLINE_S)
        log.close()
        shutil.rmtree(folder, ignore_errors=True)


def _wait_until_up(server: Server, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while True:
        try:
            server.run("SELECT 1")
        except OperationalError as error:
            if process.poll() is not None or time.monotonic() > deadline:
                raise AssertionError(log.read_text(errors="replace")) from error
            time.sleep(0.05)
        else:
            return
