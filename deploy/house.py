"""The opened stores of one data directory. The only place that picks their adapters."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from deploy.errors import SurroundingsError, UserError
from deploy.registry_key import KEY_FILE, LostKey, registry_key
from shared.heat.catalogue import Catalogue
from shared.heat_book import HeatBook
from shared.ports import ReadingsStore, Registry
from shared.settings import Settings
from shared.stores import (
    READINGS_FILE,
    REGISTRY_FILE,
    SPOOL_FILE,
    Address,
    AddressError,
    WrongKey,
    open_line_readings,
    open_readings,
    open_registry,
    parse_address,
)
from shared.times import Clock, SystemClock

RUNNING_FILE = "running.json"
"""In the data directory while the whole service runs: where its pages and its broker are."""


@dataclass(frozen=True)
class House:
    """The opened stores of one data directory, and the sums on top of them."""

    data_dir: Path
    settings: Settings
    clock: Clock
    registry: Registry
    readings: ReadingsStore
    catalogue: Catalogue
    book: HeatBook

    def close(self) -> None:
        self.readings.close()
        self.registry.close()


def open_house(
    data_dir: Path, settings: Settings, clock: Clock | None = None, *, create: bool = False
) -> House:
    """Open (and migrate) the stores in ``data_dir``.

    Raises UserError for a directory that is not there or a store that this program does not know,
    SurroundingsError for one that cannot be written, StorageError for a database that cannot be used.
    """
    prepare_data_dir(data_dir, create=create)
    address = _far_address(settings)
    registry = _open_registry(data_dir, settings)
    try:
        readings = _open_readings(settings, data_dir, address)
    except BaseException:
        registry.close()
        raise
    try:
        catalogue = Catalogue.load(data_dir)
        book = HeatBook(readings, registry, catalogue, settings.max_gap_ms)
    except BaseException:
        readings.close()
        registry.close()
        raise
    return House(data_dir, settings, clock or SystemClock(), registry, readings, catalogue, book)


def _open_registry(data_dir: Path, settings: Settings) -> Registry:
    where = settings.registry.url or data_dir / REGISTRY_FILE
    try:
        return open_registry(where, key=partial(registry_key, data_dir, settings))
    except WrongKey as error:
        wanted = "[registry] key" if settings.registry.key is not None else str(data_dir / KEY_FILE)
        raise LostKey(f"{wanted} does not fit: {error}; lost? see `turnbell forget-secrets --help`") from None


def _far_address(settings: Settings) -> Address | None:
    """None = the embedded store. UserError for an address that cannot be used."""
    wanted = settings.readings
    if not wanted.url:
        return None
    try:
        return parse_address(wanted.url, wanted.token.get_secret_value() if wanted.token else None)
    except AddressError as error:
        raise UserError(f"[readings] url: {error}") from error


def _open_readings(settings: Settings, data_dir: Path, address: Address | None) -> ReadingsStore:
    if address is None:
        return open_readings(data_dir / READINGS_FILE)
    return open_line_readings(address, settings.readings.spool or data_dir / SPOOL_FILE)


def prepare_data_dir(data_dir: Path, *, create: bool) -> None:
    if not data_dir.exists():
        if not create:
            raise UserError(
                f"there is no data directory {data_dir}; `turnbell serve --data {data_dir}` makes it"
            )
        try:
            data_dir.mkdir(parents=True, mode=0o700)
        except OSError as error:
            raise SurroundingsError(f"cannot make the data directory {data_dir}: {error.strerror}") from error
    if not data_dir.is_dir():
        raise UserError(f"{data_dir} is a file; --data needs a directory")
    if not os.access(data_dir, os.R_OK | os.W_OK | os.X_OK):
        raise SurroundingsError(f"the data directory {data_dir} cannot be read and written by this account")


@contextmanager
def opened_house(data_dir: Path, settings: Settings, *, create: bool = False) -> Iterator[House]:
    house = open_house(data_dir, settings, create=create)
    try:
        yield house
    finally:
        house.close()
