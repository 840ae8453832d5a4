"""`manage.py token`: make an API token; its secret is printed this once."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inventory.management.base import add_lab, lab_named, person_named
from inventory.rules.errors import InputError
from inventory.rules.roles import SCOPES
from inventory.services.labs import token_create


class Command(BaseCommand):
    help = "Make an API token for a person in a lab. The secret goes to standard output, once."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="what will use it, as “balance by the window”")
        add_lab(parser)
        parser.add_argument("--as", dest="username", help="whom it acts for (the lab's first supervisor)")
        parser.add_argument("--scope", choices=SCOPES, default="read", help="what it may do (read)")
        parser.add_argument("--days", type=int, default=365, help="days until it ends (365)")

    def handle(self, *_args: Any, **options: Any) -> None:
        lab, now = lab_named(options["lab"]), timezone.now()
        person = person_named(lab, options["username"])
        try:
            _, secret = token_create(
                lab=lab,
                actor=person,
                now=now,
                name=options["name"],
                scope=options["scope"],
                expires_at=now + timedelta(days=options["days"]),
            )
        except InputError as error:
            raise CommandError(str(error), returncode=2) from error
        except OverflowError as error:
            raise CommandError("That many days cannot be counted; use fewer.", returncode=2) from error
        self.stdout.write(secret)
