"""Which network addresses a message may be sent to: public ones, and what the operator lists.

Whoever may name an address could otherwise make the server talk to machines that only it can reach.
Sources: IANA special-purpose address registries (as `ipaddress` keeps them), RFC 6598 (carriers), RFC 4291
2.5.5.2 (IPv4-mapped), RFC 6052 and 8215 (NAT64), RFC 3056 (6to4), RFC 4380 (Teredo).
"""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

from inventory.rules.phrases import Phrase

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

_NAT64 = IPv6Network("64:ff9b::/96")
# Beside what `is_global` says of the registry in each version of Python.
_NEVER: tuple[Network, ...] = tuple(
    ip_network(text)
    for text in (
        "0.0.0.0/8",
        "100.64.0.0/10",
        "192.0.0.0/24",
        "192.88.99.0/24",
        "198.18.0.0/15",
        "224.0.0.0/4",
        "240.0.0.0/4",
        "::/96",
        "64:ff9b:1::/48",
        "100::/64",
        "2001::/23",
        "fc00::/7",
        "fe80::/10",
        "fec0::/10",
        "ff00::/8",
    )
)


def why_not(address: str, allowed: Sequence[Network] = ()) -> str:
    """Why nothing is sent to an IP address; empty when it may be. allowed: networks listed by the operator.

    An address that carries another one inside is judged by that one. Raises ValueError for no address.
    """
    found = _unwrapped(ip_address(address.partition("%")[0]))
    if any(found.version == network.version and found in network for network in allowed):
        return ""
    if found.is_loopback or found.is_unspecified:
        return Phrase("this machine itself")
    if found.is_link_local:
        return Phrase("a link-local address")
    if found.is_multicast:
        return Phrase("a multicast address")
    blocked = any(found.version == network.version and found in network for network in _NEVER)
    return "" if found.is_global and not blocked else Phrase("an address that is not public")


def spelt_out(host: str) -> list[str]:
    """The IP addresses that a host stands for without anybody being asked; none for a name.

    Beside the usual spelling that is localhost with all names below it (RFC 6761 6.3), and IPv4 with fewer
    parts, or parts in octal or hexadecimal, which most programs still read (WHATWG URL, IPv4 parser).
    """
    plain = host.casefold().rstrip(".").removeprefix("[").removesuffix("]")
    if plain == "localhost" or plain.endswith(".localhost"):
        return ["127.0.0.1", "::1"]
    try:
        return [str(ip_address(plain.partition("%")[0]))]
    except ValueError:
        number = _old_spelling(plain)
        return [] if number is None else [str(IPv4Address(number))]


def _old_spelling(host: str) -> int | None:
    parts = [_part(text) for text in host.split(".")]
    if not 1 <= len(parts) <= 4:
        return None
    number = 0
    for place, part in enumerate(parts[:-1]):
        if part is None or part > 255:
            return None
        number += part << 8 * (3 - place)
    last = parts[-1]
    return None if last is None or last >= 256 ** (5 - len(parts)) else number + last


def _part(text: str) -> int | None:
    """A part of an IPv4 address: decimal, octal after a 0, hexadecimal after 0x."""
    base = 16 if text.startswith("0x") else 8 if text.startswith("0") and text != "0" else 10
    try:
        return int(text.removeprefix("0x") or "0", base) if text.isascii() and text.isalnum() else None
    except ValueError:
        return None


def _unwrapped(found: Address) -> Address:
    if isinstance(found, IPv4Address):
        return found
    if found.teredo:
        return IPv4Address("0.0.0.0")  # noqa: S104 - compared, not listened on; its inner address is made up
    inner = found.ipv4_mapped or found.sixtofour
    if inner is None and found in _NAT64:
        inner = IPv4Address(int(found) & 0xFFFFFFFF)
    return inner or found
