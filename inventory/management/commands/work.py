"""`manage.py work`: do the scheduled jobs in a process of its own, without Redis."""

from __future__ import annotations

import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from inventory.services import jobs


class Command(BaseCommand):
    help = "Do the scheduled jobs until stopped: for servers of several processes that have no Redis."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="do what is due now, then end")

    def handle(self, *_: Any, **options: Any) -> None:
        if options["once"]:
            jobs.tick_due(now=timezone.now())
            self.stdout.write(f"{jobs.drain(now=timezone.now)} job(s) done.")
            return
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        self.stdout.write("Doing the scheduled jobs; stop with Ctrl-C.")
        jobs.drain_forever(stop)
