"""``[readings] url`` taken apart.

``victoria://[user:password@]host[:8428][/prefix][?read=host:port/prefix][&tls=yes]``: of a cluster the address before
the question mark is the writing side (``vminsert:8480/insert/0/influx``), ``read`` the reading side
(``vmselect:8481/select/0/prometheus``).
``influxdb://host[:8086]/organisation/bucket[?tls=yes]``, with its token in ``[readings] token``.
Both take ``measurement=NAME`` (else ``turnbell``): so two services can share one far store.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from urllib.parse import SplitResult, parse_qsl, unquote, urlsplit

MEASUREMENT = "turnbell"
PORTS = {"victoria": 8428, "influxdb": 8086}
_NAME = re.compile("[A-Za-z][A-Za-z0-9_]{0,62}")
_YES, _NO = {"yes", "true", "1"}, {"no", "false", "0"}


class AddressError(ValueError):
    """No address of a readings store; the text says what is wrong."""


@dataclass(frozen=True, slots=True)
class Address:
    kind: str
    write_url: str
    read_url: str
    org: str = ""
    bucket: str = ""
    token: str | None = field(default=None, repr=False)
    login: tuple[str, str] | None = field(default=None, repr=False)
    measurement: str = MEASUREMENT

    @property
    def name(self) -> str:
        """For messages: without any secret."""
        return f"the readings store at {self.read_url}"


def parse_address(url: str, token: str | None = None) -> Address:
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise AddressError(f"it is no address ({error})") from None
    if parts.scheme not in PORTS:
        raise AddressError(
            "it must begin with victoria:// or influxdb://; leave it out for the embedded store"
        )
    if not parts.hostname:
        raise AddressError("it names no host")
    asked = dict(parse_qsl(parts.query, keep_blank_values=True))
    tls = asked.pop("tls", "no").lower()
    if tls not in _YES | _NO:
        raise AddressError("tls must be yes or no")
    scheme = "https" if tls in _YES else "http"
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    base = f"{scheme}://{host}:{port or PORTS[parts.scheme]}"
    login = (unquote(parts.username), unquote(parts.password or "")) if parts.username else None
    make = _influx if parts.scheme == "influxdb" else _victoria
    measurement = asked.pop("measurement", MEASUREMENT)
    if not _NAME.fullmatch(measurement):
        raise AddressError("measurement must be letters, digits and underscores")
    address = replace(make(parts, base, scheme, asked, token, login), measurement=measurement)
    if asked:
        raise AddressError(f"it knows no {', '.join(sorted(asked))}")
    return address


def _victoria(
    parts: SplitResult,
    base: str,
    scheme: str,
    asked: dict[str, str],
    token: str | None,
    login: tuple[str, str] | None,
) -> Address:
    write = f"{base}{parts.path.rstrip('/')}"
    read = asked.pop("read", "")
    return Address(
        "victoria", write, f"{scheme}://{read.rstrip('/')}" if read else write, token=token, login=login
    )


def _influx(
    parts: SplitResult,
    base: str,
    _scheme: str,
    _asked: dict[str, str],
    token: str | None,
    login: tuple[str, str] | None,
) -> Address:
    names = [unquote(name) for name in parts.path.strip("/").split("/")]
    if len(names) != 2 or not all(names):
        raise AddressError("it must end in /organisation/bucket")
    if login is not None:
        raise AddressError("put the token into [readings] token (or token_file), not into the address")
    if not token:
        raise AddressError("[readings] token (or token_file) is not set")
    return Address("influxdb", base, base, names[0], names[1], token)
