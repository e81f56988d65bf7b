"""What a store that speaks the line protocol must do for us, and how its client is made and its failures are named."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import Any, Protocol

import httpx
from urllib3.exceptions import HTTPError

from shared.ports import StorageError, StoreBusy
from shared.readings import Curve, SensorKey
from shared.stores.line.address import Address

PATIENCE_S = 20.0
_NOT_TAKEN = frozenset({400, 413, 422})


class Remote(Protocol):
    """Calls raise StoreBusy when the store is away, LinesRefused when it will not take what was sent, StorageError
    when it will not have us. What ``write`` has accepted need not be on a disk yet, nor readable yet."""

    name: str
    measurement: str
    sensors_at_once: int
    """That one question may name."""

    def write(self, lines: bytes) -> None: ...
    def curves(self, start: int, end: int, sensors: Collection[SensorKey]) -> dict[SensorKey, Curve]:
        """From ``start`` (closed) to ``end`` (open), in one question, of those of the sensors that have any."""

    def ping(self) -> None: ...
    def close(self) -> None: ...


class LinesRefused(StorageError):
    """The store calls some of the lines wrong; sent alone, the others may be taken."""


class LineClient:
    """Writes through the line protocol's own client, at once and without its retries: the spool is our retry."""

    def __init__(self, address: Address, org: str, bucket: str) -> None:
        # a tenth of every start of a program, and most have no far store
        from influxdb_client.client.influxdb_client import InfluxDBClient  # noqa: PLC0415
        from influxdb_client.client.write_api import SYNCHRONOUS  # noqa: PLC0415

        self.name, self.measurement, self._org, self._bucket = address.name, address.measurement, org, bucket
        options: dict[str, Any] = {
            "url": address.write_url,
            "token": address.token or "",
            "org": org,
            "timeout": PATIENCE_S * 1000,
        }
        if address.login is not None:
            options |= {"username": address.login[0], "password": address.login[1], "auth_basic": True}
        self.client: Any = InfluxDBClient(**options)
        self._writer: Any = self.client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: bytes) -> None:
        with foreign(f"writing to {self.name}"):
            self._writer.write(bucket=self._bucket, org=self._org, record=lines, write_precision="ms")

    def close(self) -> None:
        self._writer.close()
        self.client.close()


@contextmanager
def foreign(what: str) -> Iterator[None]:
    """The client's exceptions as ours."""
    from influxdb_client.rest import ApiException  # noqa: PLC0415  # see LineClient

    try:
        yield
    except ApiException as error:
        raise refusal(
            what, int(error.status or 0), str(error.message or error.reason or error.body or "")
        ) from error
    except (HTTPError, httpx.TransportError, OSError) as error:
        raise StoreBusy(f"{what}: {type(error).__name__}: {_first_line(error)}") from error


def refusal(what: str, status: int, words: str) -> StorageError:
    text = f"{what}: it answers {status} {' '.join(words.split())[:200]}".rstrip()
    if status in _NOT_TAKEN:
        return LinesRefused(text)
    if status in {0, 429} or status >= 500:
        return StoreBusy(text)
    return StorageError(text)


def _first_line(error: Exception) -> str:
    return str(error).partition("\n")[0][:200]
