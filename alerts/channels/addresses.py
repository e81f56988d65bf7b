"""Where a message may go: names are resolved here, judged, and the judged address is the one that is connected to."""

from __future__ import annotations

import ipaddress
import socket

from alerts.channels.port import SendError

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
_NAT64 = ipaddress.ip_network("64:ff9b::/96")


def resolved(host: str, port: int, *, allow_private: bool) -> list[str]:
    """The addresses of ``host`` as texts, in the order to try them.

    SendError, permanent, when any of them is not a public one and that was not allowed: a name that answers with both
    is not trusted.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise SendError("its name could not be resolved") from error
    addresses = list(dict.fromkeys(str(entry[4][0]) for entry in found))
    if not allow_private and not all(is_public(address) for address in addresses):
        raise SendError(
            "it leads to a private address; set [web] allow_private_webhooks to allow that", permanent=True
        )
    return addresses


def is_public(text: str) -> bool:
    """Whether the whole internet knows this address. One that carries another inside is judged by that one."""
    try:
        address: Address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address):
        inner = address.ipv4_mapped or address.sixtofour
        if inner is None and address in _NAT64:
            inner = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        if inner is None and address.teredo is not None:
            return False
        if inner is not None:
            address = inner
    return address.is_global and not address.is_multicast
