"""`manage.py lab NAME`: make a lab and its first supervisor from the terminal, without the set-up page."""

from __future__ import annotations

import getpass
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from inventory.models import User
from inventory.rules.errors import InputError
from inventory.services import labs


class Command(BaseCommand):
    help = "Make a lab. Its supervisor is made too when there is no such person yet."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="full name of the lab")
        parser.add_argument(
            "--slug", default="", help="short name in addresses; made from the name if left out"
        )
        parser.add_argument("--time-zone", default="UTC", help="as Europe/Dublin (UTC)")
        parser.add_argument("--supervisor", required=True, help="sign-in name of the supervisor")
        parser.add_argument("--contact", default="", help="whom to ask, and where")
        parser.add_argument("--emergency", default="", help="what to do in an emergency, shown on every page")

    def handle(self, *_args: Any, **options: Any) -> None:
        now = timezone.now()
        try:
            with transaction.atomic():
                person = self.person(options["supervisor"])
                lab = labs.lab_create(
                    actor=person,
                    now=now,
                    name=options["name"],
                    slug=options["slug"],
                    time_zone=options["time_zone"],
                    contact=options["contact"],
                    emergency_text=options["emergency"],
                )
        except InputError as error:
            raise CommandError(str(error), returncode=2) from error
        self.stdout.write(f"Made the lab “{lab.name}” ({lab.slug}); {person.username} is its supervisor.")

    def person(self, username: str) -> User:
        """The person of that name; a new one is asked for a password."""
        found = User.objects.filter(username=username).first()
        if found is not None:
            return found
        if sys.stdin.isatty():
            password = getpass.getpass(f"Password for {username}: ")
            if getpass.getpass("Once more: ") != password:
                raise CommandError("The two passwords differ; nothing was made.", returncode=2)
        else:
            password = sys.stdin.readline().rstrip("\n")
        return labs.person_create(username=username, password=password)
