"""The Registry of ``shared.ports`` on a relational database."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import select, update

from shared.ports import (
    Memory,
    Piles,
    Probes,
    Quarantine,
    Registry,
    Sites,
)
from shared.ports_access import Access, Accounts, Audit
from shared.ports_people import Episodes, Notices, People
from shared.stores.migrations.upgrade import upgrade
from shared.stores.registry import tables as t
from shared.stores.registry.access import SqlAccess
from shared.stores.registry.accounts import SqlAccounts
from shared.stores.registry.audit import SqlAudit
from shared.stores.registry.engine import make_engine
from shared.stores.registry.episodes import SqlEpisodes
from shared.stores.registry.memory import SqlMemory
from shared.stores.registry.notices import SqlNotices
from shared.stores.registry.people import SqlPeople
from shared.stores.registry.piles import SqlPiles
from shared.stores.registry.probes import SqlProbes
from shared.stores.registry.quarantine import SqlQuarantine
from shared.stores.registry.seal import Seal, is_sealed, take_into_use
from shared.stores.registry.sites import SqlSites
from shared.stores.registry.work import FACTS, Work
from shared.stores.sqlite_files import BUSY_TIMEOUT_S

_VERSION = select(t.counters.c.value).where(t.counters.c.name == FACTS)


class SqlRegistry:
    sites: Sites
    piles: Piles
    probes: Probes
    people: People
    episodes: Episodes
    notices: Notices
    quarantine: Quarantine
    access: Access
    accounts: Accounts
    audit: Audit
    memory: Memory

    def __init__(self, work: Work, seal: Seal | None = None) -> None:
        self._work = work
        self.sites = SqlSites(work)
        self.piles = SqlPiles(work)
        self.probes = SqlProbes(work)
        self.people = SqlPeople(work, seal)
        self.episodes = SqlEpisodes(work)
        self.notices = SqlNotices(work)
        self.quarantine = SqlQuarantine(work)
        self.access = SqlAccess(work)
        self.accounts = SqlAccounts(work, seal)
        self.audit = SqlAudit(work)
        self.memory = SqlMemory(work)

    @contextmanager
    def begin(self) -> Iterator[Registry]:
        """The transaction belongs to the calling thread until the block ends; what that thread does with any Registry
        object of this database meanwhile is part of it. A begin inside is a savepoint. Transactions go one by one, so what
        one reads stays true until it has written."""
        with self._work.transaction("a transaction", alone=True):
            yield self

    def version(self) -> int:
        with self._work.read("reading the version") as connection:
            version: int = connection.execute(_VERSION).scalar_one()
            return version

    def ping(self) -> None:
        pulse = update(t.counters).where(t.counters.c.name == "pulse").values(value=t.counters.c.value + 1)
        with self._work.write("trying a write") as connection:
            connection.execute(pulse)

    def close(self) -> None:
        self._work.close()


KeyOf = Callable[[bool], str | None]
"""Gives the key of the secrets, None = keep them as they are; told whether they are sealed already."""


def open_registry(
    url: str | Path, *, key: KeyOf | None = None, busy_timeout_s: float = BUSY_TIMEOUT_S
) -> Registry:
    """Open (and make, or migrate) the registry at an SQLAlchemy address or a file path.

    With ``key`` the secrets in it are sealed; without, sealed ones cannot be read (WrongKey), and new ones stand there
    as they are. Raises StorageError when it cannot be used, or is newer than this program; then nothing has changed.
    """
    engine = make_engine(url, busy_timeout_s)
    try:
        upgrade(engine)
        seal = None
        if key is not None and (text := key(is_sealed(engine))) is not None:
            seal = Seal(text)
            take_into_use(engine, seal)
    except BaseException:
        engine.dispose()
        raise
    return SqlRegistry(Work(engine, busy_timeout_s), seal)
