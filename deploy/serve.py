"""One server process for `up` and `demo`: waitress answers; without Redis one thread drains the jobs."""

from __future__ import annotations

import errno
import logging
import signal
import threading
from collections.abc import Callable
from types import FrameType
from typing import Any

import waitress
from django.conf import settings

logger = logging.getLogger(__name__)
STOP_SECONDS = 1.5


class PortTakenError(Exception):
    """Another program listens there; the message names the remedy."""


def start_scheduler(stop: threading.Event) -> threading.Thread | None:
    """Start the thread that drains the jobs until `stop` is set; None when Celery does it instead."""
    if not settings.STILLKEEP_EMBEDDED_JOBS:
        return None
    from inventory.services.jobs import drain_forever

    thread = threading.Thread(target=drain_forever, args=(stop,), name="jobs", daemon=True)
    thread.start()
    return thread


def open_server(host: str, port: int, threads: int = 8) -> Any:
    """A waitress server that listens already; port 0 takes a free one. Raises PortTakenError."""
    from deploy.wsgi import application

    options: dict[str, Any] = {"host": host, "port": port, "threads": threads, "ident": "stillkeep"}
    if settings.STILLKEEP_TRUSTED_PROXY:
        options |= {
            "trusted_proxy": settings.STILLKEEP_TRUSTED_PROXY,
            "trusted_proxy_headers": "x-forwarded-for x-forwarded-proto",
        }
    try:
        return waitress.create_server(application, **options)
    except OSError as fault:
        if fault.errno == errno.EADDRINUSE:
            raise PortTakenError(
                f"Port {port} on {host} is taken: stop the other program or choose one with --port."
            ) from fault
        raise PortTakenError(f"Cannot listen on {host}, port {port}: {fault.strerror or fault}.") from fault


def serve(host: str, port: int, *, on_ready: Callable[[str], None], with_scheduler: bool = True) -> None:
    """Answer requests until Ctrl-C or SIGTERM, then return within about two seconds.

    `on_ready` is called once with the address (http://host:port) when the port is open. Main thread only.
    Raises PortTakenError before anything is started.
    """
    server = open_server(host, port)
    link_to(address(server))
    stop = threading.Event()
    previous = {number: signal.signal(number, _leave) for number in (signal.SIGINT, signal.SIGTERM)}
    scheduler = None
    try:
        scheduler = start_scheduler(stop) if with_scheduler else None
        on_ready(address(server))
        server.asyncore.loop(timeout=1, map=server._map, use_poll=server.adj.asyncore_use_poll)
    except SystemExit:
        pass
    finally:
        for number in previous:  # a second Ctrl-C while stopping changes nothing
            signal.signal(number, signal.SIG_IGN)
        stop.set()
        server.task_dispatcher.shutdown(timeout=STOP_SECONDS)
        server.close()
        if scheduler:
            scheduler.join(timeout=0.4)
        for number, handler in previous.items():
            signal.signal(number, handler)


def link_to(served: str) -> None:
    """Have the links in mails and feeds lead to where this process listens, unless an address was set."""
    if not settings.STILLKEEP_SITE_URL_GIVEN:
        settings.STILLKEEP_SITE_URL = served


def address(server: Any) -> str:
    """The address a browser on this machine opens."""
    host, port = server.effective_host, server.effective_port
    host = "127.0.0.1" if host == "0.0.0.0" else host  # noqa: S104 - compared, not listened on
    return f"http://[{host}]:{port}" if ":" in str(host) else f"http://{host}:{port}"


def _leave(_number: int, _frame: FrameType | None) -> None:
    raise SystemExit(0)
