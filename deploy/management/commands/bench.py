"""`manage.py bench`: how fast the hot paths are beside raw SQL on this machine, on private databases."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError


class Command(BaseCommand):
    help = "Measure the hot paths beside raw SQL, on private databases that are gone afterwards."
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        from tests.bench.worker import MEASURES

        parser.add_argument(
            "--size", choices=("small", "full"), default="small", help="amount of data (small)"
        )
        parser.add_argument(
            "--only", choices=MEASURES, action="append", default=[], help="repeat for several"
        )
        parser.add_argument(
            "--db", choices=("sqlite", "postgresql", "both"), default="both", help="databases (both)"
        )
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")

    def handle(self, *_args: Any, size: str, only: list[str], db: str, **options: Any) -> None:
        from tests.bench import main

        kinds = ["sqlite", "postgresql"] if db == "both" else [db]
        try:
            results = main.run(size, main.names_of(only), kinds, self.say)
        except main.MeasureFailedError as fault:
            raise CommandError(str(fault)) from fault
        self.stdout.write(main.report(results, as_json=options["json"]))

    def say(self, text: str) -> None:
        """Progress goes beside the result, so that the result can be piped."""
        self.stderr.write(self.style.NOTICE(text))
        self.stderr.flush()
