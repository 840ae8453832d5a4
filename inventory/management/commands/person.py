"""`manage.py person NAME`: let somebody in again who lost phone, paper or passkey."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from inventory.models import Passkey, User
from inventory.services import passkeys, second_factor, sessions


class Command(BaseCommand):
    help = (
        "Show how a person signs in, and take away what they cannot use any more. A new password is set with "
        "`manage.py changepassword NAME`."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="sign-in name")
        parser.add_argument(
            "--no-second-step", action="store_true", help="the password alone signs in; recovery codes end"
        )
        parser.add_argument("--no-passkeys", action="store_true", help="remove all passkeys")
        parser.add_argument("--sign-out", action="store_true", help="end every session")

    def handle(self, *_args: Any, **options: Any) -> None:
        person = User.objects.filter(username__iexact=options["name"]).first()
        if person is None:
            raise CommandError(f"Nobody here signs in as “{options['name']}”.", returncode=2)
        with transaction.atomic():
            if options["no_second_step"]:
                second_factor.turn_off(actor=person, now=timezone.now())
            if options["no_passkeys"]:
                passkeys.remove_all(user=person)
            if options["sign_out"]:
                sessions.end_all(user=person)
        self.stdout.write(self.state(person))

    def state(self, person: User) -> str:
        """How the person signs in now."""
        on = "on" if second_factor.wanted(user=person) else "off"
        places = sessions.places_of(user=person, now=timezone.now(), session_key="")
        return (
            f"{person.username}: second step {on}, {Passkey.objects.filter(user=person).count()} passkeys, "
            f"signed in at {len(places)} places."
        )
