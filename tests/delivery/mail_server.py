"""A real SMTP server (aiosmtpd) in a thread, that accepts, refuses, loses the line, or says nothing."""

from __future__ import annotations

import email
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from email.policy import default
from typing import Any, cast

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from tests.servers import free_port


class Mailbox:
    """What came in, and how the next messages are treated. Threads: the server's one writes, the test reads.

    refuse: answer to RCPT for addresses that begin so. drops: so many messages are taken and the line is cut
    before the answer, as by a crash of the server.
    """

    def __init__(self) -> None:
        self.received: list[EmailMessage] = []
        self.connections = 0
        self.refuse: dict[str, str] = {}
        self.data_answer = "250 taken"
        self.drops = 0

    async def handle_EHLO(  # noqa: N802 - aiosmtpd's names
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        self.connections += 1
        session.host_name = hostname
        return responses

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        for start, answer in self.refuse.items():
            if address.startswith(start):
                return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if not self.data_answer.startswith("2"):
            return self.data_answer
        content = cast(bytes, envelope.content)
        message = email.message_from_bytes(content, policy=default)
        self.received.append(message)
        if self.drops:
            self.drops -= 1
            cast(Any, server).transport.abort()
        return self.data_answer

    @property
    def ids(self) -> list[str]:
        return [str(message["Message-ID"]) for message in self.received]


@contextmanager
def mail_server() -> Iterator[tuple[Mailbox, int]]:
    """A mailbox and the port on 127.0.0.1 where it is served."""
    box = Mailbox()
    controller = _started(box)
    try:
        yield box, controller.port
    finally:
        controller.stop()


def _started(box: Mailbox) -> Controller:
    """Another program may take a free port before the server does: then the next one is tried."""
    for _ in range(5):
        controller = Controller(box, hostname="127.0.0.1", port=free_port(), ready_timeout=60)
        try:
            controller.start()
        except OSError:
            continue
        return controller
    raise OSError("five free ports were taken before the mail server stood")


@contextmanager
def silent_server() -> Iterator[tuple[int, list[socket.socket]]]:
    """The port of a server that takes connections and never says a word, and the connections it took."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        held: list[socket.socket] = []

        def take() -> None:
            while True:
                try:
                    held.append(listener.accept()[0])
                except OSError:
                    return

        threading.Thread(target=take, daemon=True).start()
        yield int(listener.getsockname()[1]), held
        listener.shutdown(socket.SHUT_RDWR)
        for line in held:
            line.close()
