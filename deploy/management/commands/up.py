"""`manage.py up`: serve this folder's stock; the first start prepares everything by itself."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import OperationalError
from django.utils import timezone

from deploy.serve import PortTakenError, serve
from deploy.startup import prepare

LOOPBACK = {"127.0.0.1", "localhost", "::1"}


class Command(BaseCommand):
    help = "Prepare the data folder and serve it; on a first start print a one-time link to set it up."
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
        parser.add_argument("--port", type=int, default=8000, help="port to listen on, 0 for any (8000)")

    def handle(self, *_args: Any, host: str, port: int, **_options: Any) -> None:
        self.beyond_this_machine = host not in LOOPBACK
        try:
            prepare(self.say)
            serve(host, port, on_ready=self.ready)
        except PortTakenError as fault:
            raise CommandError(str(fault), returncode=2) from fault
        except OperationalError as fault:
            raise CommandError(f"The database does not answer: {fault}".strip(), returncode=2) from fault
        except OSError as fault:
            raise CommandError(
                f"Cannot write {fault.filename}: {fault.strerror}; set STILLKEEP_HOME to a folder you own.",
                returncode=2,
            ) from fault
        self.say("Stopped.")

    def ready(self, address: str) -> None:
        """Say where the server is, and how the first person gets in."""
        self.say(f"Stillkeep answers at {address}/ - stop it with Ctrl-C.")
        if self.beyond_this_machine:
            self.say(
                "Other machines reach it only by a name in STILLKEEP_SITE_URL or STILLKEEP_ALLOWED_HOSTS."
            )
        self.print_setup_link(address)

    def print_setup_link(self, address: str) -> None:
        """Print a one-time link while nobody can log in yet; it replaces any link printed before."""
        from inventory.services import labs

        secret = labs.setup_link_create(now=timezone.now())
        if secret:
            self.say("Nobody has an account yet. Open this link, which works once, to make the first one:")
            self.say(f"  {address}/enter/{secret}/")

    def say(self, text: str) -> None:
        """A line for the person at the keyboard, at once even when the output is a file."""
        self.stdout.write(text)
        self.stdout.flush()
