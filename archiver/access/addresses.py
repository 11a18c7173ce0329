"""Addresses and names of hosts, as they matter to who may come in."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

#: The one name that is this machine's own everywhere (RFC 6761 6.3).
_LOCAL = "localhost"


def is_loopback(host: str) -> bool:
    """Return whether only this machine reaches what listens on a host: an address or a name."""
    if host.lower().rstrip(".") == _LOCAL:
        return True
    found = _address(host)
    return found is not None and found.is_loopback


def neighbourhood(address: str) -> str:
    """Return what stands for an address where tries are counted.

    Of IPv6 it is the /64: whoever has one address of it has them all (RFC 6177).
    """
    found = _address(address)
    if isinstance(found, ipaddress.IPv6Address):
        return str(ipaddress.IPv6Network((found, 64), strict=False))
    return str(found) if found is not None else address


def is_within(address: str, networks: Iterable[str]) -> bool:
    """Return whether an address is in one of some networks."""
    found = _address(address)
    return found is not None and any(
        found in ipaddress.ip_network(network, strict=False) for network in networks
    )


def host_name(host: str) -> str:
    """Return the name or address of a Host header, without its port."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].rstrip(".")


def is_our_name(host: str, names: Iterable[str], *, on_loopback: bool) -> bool:
    """Return whether a Host header names us: by a name of ours, or by an address.

    An address cannot be made to lead elsewhere; a name can (DNS rebinding).
    """
    name = host_name(host)
    if name == _LOCAL or name in names:
        return True
    found = _address(name)
    return found is not None and (found.is_loopback or not on_loopback)


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        found = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found
