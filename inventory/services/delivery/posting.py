"""Posting to an address that a person named: TLS only, no redirects, bounded in time and size, public only.

The name is resolved once, every address it has is checked, and the connection goes to one that was checked:
a name that changes between looking and connecting gains nothing. TLS still asks for the name.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from urllib.parse import SplitResult, urlsplit

from django.conf import settings

from inventory.rules.errors import InputError
from inventory.rules.net_addresses import Network, spelt_out, why_not
from inventory.rules.phrases import Phrase

ADDRESSES_MAX = 4
WAIT_MAX = timedelta(hours=6)


class Blocked(Exception):
    """The address may not be posted to; another attempt would end the same way."""


class Unreachable(Exception):
    """Nobody answered properly this time."""


@dataclass(frozen=True)
class Reply:
    """wait: what Retry-After asked for, in seconds, at most six hours."""

    status: int
    wait: timedelta = timedelta()


def address_read(url: str) -> SplitResult:
    """The parts of an address that may be posted to. Raises InputError naming `url`."""
    try:
        parts = urlsplit(url)
        port, host = parts.port, parts.hostname or ""
    except ValueError:
        raise _wrong(Phrase("This is no address.")) from None
    if parts.scheme != "https" or not host:
        raise _wrong(Phrase("Messages go to addresses that begin with https:// only."))
    if parts.username or parts.password or "@" in parts.netloc:
        raise _wrong(Phrase("An address may not hold a name or password."))
    plain = url.isascii() and url.isprintable() and " " not in url
    if parts.fragment or port == 0 or not plain:
        raise _wrong(Phrase("This address has parts that cannot be used."))
    return parts


def address_check(url: str) -> None:
    """As `address_read`, and refuse an IP address that is never posted to, however it is spelt.

    Other names are looked up, and checked, each time when they are used.
    """
    host, allowed = address_read(url).hostname or "", settings.STILLKEEP_WEBHOOK_ALLOW
    reasons = [why_not(each, allowed) for each in spelt_out(host)]
    if reasons and all(reasons):
        raise _wrong(Phrase("It leads to {where}.", where=reasons[0]))


def _wrong(detail: str) -> InputError:
    return InputError(
        "url", "not-usable", detail, Phrase("Give a public address such as https://example.org/hook.")
    )


def resolved(host: str, port: int, allowed: Sequence[Network]) -> list[str]:
    """The addresses of a host, all of them fit to connect to. Raises Blocked or Unreachable."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise Unreachable(f"The name cannot be resolved: {error}") from error
    addresses = list(dict.fromkeys(str(entry[4][0]) for entry in found))
    for address in addresses:
        if reason := why_not(address, allowed):
            raise Blocked(f"The address leads to {reason}, where nothing is sent.")
    return addresses


def post(url: str, body: bytes, headers: Mapping[str, str]) -> Reply:
    """Post once. Raises Blocked, or Unreachable with words that are fit to show."""
    try:
        parts = address_read(url)
    except InputError as error:
        raise Blocked(error.detail) from error
    host, port = parts.hostname or "", parts.port or 443
    addresses = resolved(host, port, settings.STILLKEEP_WEBHOOK_ALLOW)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    named = host if ":" not in host else f"[{host}]"
    sent = {**headers, "Host": named if port == 443 else f"{named}:{port}"}
    return _exchange(addresses[:ADDRESSES_MAX], port, host, path, body, sent)


def _exchange(
    addresses: Sequence[str], port: int, host: str, path: str, body: bytes, headers: Mapping[str, str]
) -> Reply:
    seconds: float = settings.STILLKEEP_WEBHOOK_SECONDS
    lines: list[socket.socket] = []
    # A timeout bounds each read, not their sum: who sends a byte at a time is cut off by the clock.
    cut = threading.Event()
    clock = threading.Timer(seconds, _cut, [lines, cut])
    clock.daemon = True
    clock.start()
    try:
        plain = _connected(addresses, port, seconds)
        lines.append(plain.dup())
        lines.append(_context().wrap_socket(plain, server_hostname=host))
        connection = http.client.HTTPConnection(host, port, timeout=seconds)
        connection.sock = lines[-1]
        connection.request("POST", path, body=body, headers=dict(headers))
        # The status says it all; the body is not read, however long it is.
        answer = connection.getresponse()
        if cut.is_set():  # the cut made an end of headers that had none
            raise TimeoutError
        return Reply(answer.status, _wait(answer.headers.get("Retry-After", "")))
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise Unreachable(_words(error, cut)) from error
    finally:
        clock.cancel()
        for line in lines:
            line.close()


def _connected(addresses: Sequence[str], port: int, seconds: float) -> socket.socket:
    """A connection to the first address that takes one; all of them together have that long."""
    refused: OSError = OSError("no address")
    for address in addresses:
        try:
            line = socket.create_connection((address, port), timeout=seconds / len(addresses))
        except OSError as error:
            refused = error
        else:
            line.settimeout(seconds)
            return line
    raise refused


def _cut(lines: Sequence[socket.socket], cut: threading.Event) -> None:
    """End the connection under whoever waits on it: the copy shares it with the one that TLS took over."""
    cut.set()  # before the reader wakes and takes the end for that of the answer
    for line in lines[:1]:
        try:
            line.shutdown(socket.SHUT_RDWR)
        except OSError:
            line.close()


def _context() -> ssl.SSLContext:
    context = ssl.create_default_context()
    if settings.STILLKEEP_WEBHOOK_CA:
        context.load_verify_locations(settings.STILLKEEP_WEBHOOK_CA)
    return context


def _wait(text: str) -> timedelta:
    return min(timedelta(seconds=int(text)), WAIT_MAX) if text.isascii() and text.isdigit() else timedelta()


def _words(error: Exception, cut: threading.Event) -> str:
    if cut.is_set() or isinstance(error, TimeoutError):
        return "There was no answer in time."
    if isinstance(error, ssl.SSLError):
        return f"The connection is not secure: {error.reason}"
    return f"The connection failed: {type(error).__name__}"
