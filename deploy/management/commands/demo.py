"""`manage.py demo`: the demo lab with fourteen months of history, served from a folder of its own."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from deploy.demo import LOGIN, demo_lab, password_for_demo
from deploy.serve import PortTakenError, serve
from deploy.startup import prepare
from inventory.management.commands.due import due_text
from inventory.services.sweep import sweep
from recovery.management.commands.losses import losses_text, signals_text


class Command(BaseCommand):
    help = "Serve a lab of invented data: look around, break things, start again by deleting its folder."
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
        parser.add_argument("--port", type=int, default=8000, help="port to listen on, 0 for any (8000)")

    def handle(self, *_args: Any, host: str, port: int, **_options: Any) -> None:
        try:
            prepare(self.say)
            self.lab = demo_lab(now=timezone.now())
            sweep(now=timezone.now())
            serve(host, port, on_ready=self.ready)
        except PortTakenError as fault:
            raise CommandError(str(fault), returncode=2) from fault
        except OSError as fault:
            raise CommandError(
                f"Cannot write {fault.filename}: {fault.strerror}; set STILLKEEP_HOME to a folder you own.",
                returncode=2,
            ) from fault
        self.say("Stopped. The same lab is there next time.")

    def ready(self, address: str) -> None:
        """Address, login, the due list and the recovery ledger."""
        now = timezone.now()
        self.say(f"{self.lab.name}\n\nDue list, most dangerous first:\n")
        self.say(due_text(self.lab, now))
        self.say("\nRecovery ledger, by purpose and solvent:\n")
        self.say(losses_text(self.lab, ["purpose", "solvent"]))
        self.say(f"\n{signals_text(self.lab, now)}")
        self.say(f"\nData: {settings.STILLKEEP_HOME}")
        self.say(f"Login: {LOGIN}   Password: {password_for_demo()}")
        self.say(f"Stillkeep answers at {address}/ - stop it with Ctrl-C.")

    def say(self, text: str) -> None:
        """A line for the person at the keyboard, at once even when the output is a file."""
        self.stdout.write(text)
        self.stdout.flush()
