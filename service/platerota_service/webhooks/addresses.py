"""Where a webhook may lead: to a public address by https, unless the shop's own network is allowed too.

A name is resolved, every address of it is judged, and the message goes to one of those that were judged: a name that means
another address a moment later (DNS rebinding) leads nowhere else.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from dataclasses import dataclass
from typing import Final
from urllib.parse import SplitResult, urlsplit

_Address = ipaddress.IPv4Address | ipaddress.IPv6Address
_NAT64: Final = ipaddress.ip_network("64:ff9b::/96")
"""IPv6 addresses that a translator turns into the IPv4 address in their last 32 bits (RFC 6052)."""
_PROTOCOLS: Final = ipaddress.ip_network("192.0.0.0/24")
"""IPv4 addresses of protocols (RFC 6890), of which older Pythons take some for public."""
_UNICAST: Final = ipaddress.ip_network("2000::/3")
"""All that is given out as public IPv6 addresses (RFC 4291, 2.4); Python takes site-local and IPv4-compatible ones for public too."""

LONGEST: Final = 2_000


class AddressRefused(Exception):
    """An address to which nothing is sent; why, in words for the caller."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where one message goes: the address as it was given, and one IP address behind its name."""

    url: str
    host: str
    ip: str

    @property
    def pinned(self) -> str:
        """The URL with the IP address in place of the name."""
        parts = urlsplit(self.url)
        host = f"[{self.ip}]" if ":" in self.ip else self.ip
        return parts._replace(netloc=f"{host}:{parts.port}" if parts.port is not None else host).geturl()


def check_address(url: str, *, inside: bool) -> SplitResult:
    """The parts of a URL that may be told, as far as it can be seen without asking anybody.

    Parameters
    ----------
    inside
        Whether addresses inside the shop's own network, and plain http, are allowed.

    Raises
    ------
    AddressRefused
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise AddressRefused("it cannot be read as an address") from None
    if len(url) > LONGEST or not url.isascii() or any(char <= " " for char in url):
        raise AddressRefused(f"it holds blanks or other than ASCII letters, or has more than {LONGEST:,} of them")
    if parts.scheme != "https" and not (inside and parts.scheme == "http"):
        raise AddressRefused("it must begin with https://")
    if not parts.hostname or parts.username is not None or parts.password is not None or parts.fragment or port == 0:
        raise AddressRefused("it must name a host, and no user, password or fragment")
    literal = _literal(parts.hostname)
    if literal is not None and not inside and not _public(literal):
        raise AddressRefused("it leads to an address that is not public")
    return parts


async def resolve(url: str, *, inside: bool) -> Target:
    """Where a message to `url` goes now.

    Raises
    ------
    AddressRefused
        Where it may not go there.
    OSError
        Where the name means nothing now.
    """
    parts = check_address(url, inside=inside)
    host = parts.hostname or ""
    port = parts.port or (443 if parts.scheme == "https" else 80)
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except UnicodeError:  # a part of the name is empty or longer than 63 letters
        raise AddressRefused(f"the name {host[:80]} is none that can be resolved") from None
    addresses = list(dict.fromkeys(str(entry[4][0]).partition("%")[0] for entry in found))
    if not inside and not all(_public(ipaddress.ip_address(address)) for address in addresses):
        raise AddressRefused(f"the name {host} leads to an address that is not public")
    return Target(url, host, addresses[0])


def _literal(host: str) -> _Address | None:
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def _public(address: _Address) -> bool:
    """Whether an address is one of the public internet, any IPv4 address that is hidden in it included."""
    if isinstance(address, ipaddress.IPv6Address):
        hidden = address.ipv4_mapped or address.sixtofour or (address.teredo[1] if address.teredo is not None else None)
        if hidden is None and address in _NAT64:
            hidden = ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF)
        if hidden is not None:
            return _public(hidden)
        if address not in _UNICAST:
            return False
    elif address in _PROTOCOLS:
        return False
    return address.is_global and not address.is_multicast
