"""Which hosts stand for an IP address without a name being looked up.

Spellings: those of the examples of the WHATWG URL Standard (IPv4 parser, from memory), and what the C library
of this machine reads, which is what a connection would use.
"""

from __future__ import annotations

import socket
from ipaddress import ip_address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.net_addresses import spelt_out, why_not

THIS_MACHINE = ("127.0.0.1", "127.1", "127.0.1", "2130706433", "017700000001", "0x7f000001", "0177.0.0.1")
NAMES = (
    "example.org",
    "1.2.3.4.5",
    "256.1.1.1",
    "1.2.3.256",
    "09.1",
    "4294967296",
    "0xg",
    "1..2",
    "",
    "1.2.x",
)
STYLES = ("{:d}", "0{:o}", "0x{:x}")


@pytest.mark.parametrize("host", [*THIS_MACHINE, "0x7f.1", "127.0.0.1."])
def test_every_spelling_of_this_machine(host: str) -> None:
    assert spelt_out(host) == ["127.0.0.1"]
    assert why_not(spelt_out(host)[0]) == "this machine itself"


@pytest.mark.parametrize("host", ["localhost", "LocalHost", "localhost.", "a.localhost"])
def test_localhost_is_this_machine(host: str) -> None:
    assert spelt_out(host) == ["127.0.0.1", "::1"]


@pytest.mark.parametrize(("host", "address"), [("::1", "::1"), ("[::1]", "::1"), ("fe80::1%eth0", "fe80::1")])
def test_ipv6(host: str, address: str) -> None:
    assert spelt_out(host) == [address]
    assert why_not(address)


@pytest.mark.parametrize("host", NAMES)
def test_a_name_stands_for_none(host: str) -> None:
    assert spelt_out(host) == []


@given(st.integers(min_value=0, max_value=2**32 - 1), st.sampled_from(STYLES), st.integers(1, 4))
def test_it_reads_what_the_c_library_reads(number: int, style: str, parts: int) -> None:
    cut = 8 * (5 - parts)
    last = number & ((1 << cut) - 1)
    rest = [(number >> shift) & 255 for shift in range(24, cut - 1, -8)][: parts - 1]
    host = ".".join(style.format(part) for part in [*rest, last])
    assert [ip_address(each).packed for each in spelt_out(host)] == [socket.inet_aton(host)]
