"""Fills the database of DATABASE_URL with tables and one lab that has three ethers, none of them due."""

from __future__ import annotations

from datetime import timedelta

import django


def main() -> None:
    django.setup()
    from django.core.management import call_command
    from django.utils import timezone

    from inventory.models import Container
    from tests.factories import club, stocked

    call_command("migrate", interactive=False, verbosity=0)
    at = club()
    for _ in range(3):
        stocked(at, "diethyl-ether", "10 mL")
    Container.objects.update(next_test_due=timezone.now().date() + timedelta(days=365))


if __name__ == "__main__":
    main()
