"""A real HTTPS server on loopback that receives webhooks and answers as it is told."""

from __future__ import annotations

import shutil
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

HUGE_BYTES = 50_000_000


@dataclass
class Hook:
    """What came in: headers and body. status, mode (hang, huge, drip): how it answers."""

    port: int
    certificate: Path
    received: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)
    status: int = 204
    mode: str = ""
    written_bytes: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    ended: threading.Event = field(default_factory=threading.Event)

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}/hook"

    @property
    def ids(self) -> list[str]:
        return [headers["webhook-id"] for headers, _ in self.received]


class _Handler(BaseHTTPRequestHandler):
    hook: Hook

    def do_POST(self) -> None:
        hook = self.hook
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        hook.received.append(({name.lower(): value for name, value in self.headers.items()}, body))
        hook.paths.append(self.path)
        if hook.mode == "hang":
            hook.ended.wait(20)
            return
        if hook.mode == "drip":
            self._drip()
            return
        self.send_response(hook.status)
        for name, value in hook.headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(HUGE_BYTES if hook.mode == "huge" else 0))
        self.end_headers()
        if hook.mode == "huge":
            self._write_much()

    def _drip(self) -> None:
        """A header that never ends, a letter at a time: no single read ever times out."""
        try:
            self.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
            while not self.hook.ended.is_set():
                self.wfile.write(b"a")
                self.wfile.flush()
                time.sleep(0.1)
        except OSError:
            self.close_connection = True

    def _write_much(self) -> None:
        try:
            for _ in range(HUGE_BYTES // 65536):
                self.wfile.write(b"x" * 65536)
                self.hook.written_bytes += 65536
        except OSError:
            self.close_connection = True

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def certificate_in(folder: Path) -> Path:
    """A certificate with its key for localhost, signed by itself."""
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("OpenSSL is not installed")
    path = folder / "localhost.pem"
    subprocess.run(
        [
            program, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
            "-addext", "subjectAltName=DNS:localhost", "-keyout", str(path), "-out", str(folder / "c"),
        ],
        check=True, capture_output=True,
    )  # fmt: skip
    path.write_text(path.read_text() + (folder / "c").read_text())
    return path


@contextmanager
def hook_server(folder: Path) -> Iterator[Hook]:
    """A receiver at https://localhost:port/hook."""
    certificate = certificate_in(folder)
    handler = type("Handler", (_Handler,), {})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    hook = Hook(server.server_address[1], certificate)
    handler.hook = hook  # type: ignore[attr-defined]
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield hook
    finally:
        hook.ended.set()
        server.shutdown()
        server.server_close()
