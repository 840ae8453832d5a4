"""Clients that keep their connections and send requests made beforehand, as fast as answers come back."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median


@dataclass(frozen=True)
class Load:
    """seconds: of each request; wall_seconds: from first to last; contents: last body of each client."""

    seconds: list[float]
    wall_seconds: float
    contents: list[bytes]

    @property
    def p50_ms(self) -> float:
        return median(self.seconds) * 1000

    @property
    def per_second(self) -> float:
        return len(self.seconds) / self.wall_seconds


def request(method: str, path: str, headers: Mapping[str, str], body: bytes = b"") -> bytes:
    """One request as bytes."""
    lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", *(f"{n}: {v}" for n, v in headers.items())]
    if body:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    return "\r\n".join([*lines, "", ""]).encode() + body


def send_all(address: tuple[str, int], clients: Sequence[Sequence[bytes]], status: int) -> Load:
    """Each client sends its requests one after the other, all clients at once.

    Raises AssertionError when an answer has another status.
    """
    seconds: list[list[float]] = [[] for _ in clients]
    contents, faults = [b""] * len(clients), [""] * len(clients)
    gate = threading.Barrier(len(clients) + 1)

    def run(number: int) -> None:
        with socket.create_connection(address, timeout=60) as opened:
            opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            gate.wait()
            for one in clients[number]:
                started = time.perf_counter()
                opened.sendall(one)
                head, contents[number] = _answer(opened)
                seconds[number].append(time.perf_counter() - started)
                if head.split(b" ", 2)[1] != str(status).encode():
                    raise AssertionError(f"{head.decode()} {contents[number][:500].decode()}")

    def guarded(number: int) -> None:
        try:
            run(number)
        except Exception as fault:
            faults[number] = f"client {number}: {fault!r}"

    threads = [threading.Thread(target=guarded, args=(number,)) for number in range(len(clients))]
    for thread in threads:
        thread.start()
    gate.wait()
    started = time.perf_counter()
    for thread in threads:
        thread.join()
    wall_seconds = time.perf_counter() - started
    assert not any(faults), next(filter(None, faults))
    return Load([each for client in seconds for each in client], wall_seconds, contents)


def _answer(opened: socket.socket) -> tuple[bytes, bytes]:
    """(head, body) of one answer with a Content-Length."""
    data = opened.recv(65536)
    while b"\r\n\r\n" not in data:
        data += _more(opened)
    head, _, body = data.partition(b"\r\n\r\n")
    length = next(
        int(line.split(b":")[1])
        for line in head.split(b"\r\n")
        if line.lower().startswith(b"content-length:")
    )
    while len(body) < length:
        body += _more(opened)
    return head, body


def _more(opened: socket.socket) -> bytes:
    data = opened.recv(262144)
    if not data:
        raise ConnectionError("the server hung up")
    return data
