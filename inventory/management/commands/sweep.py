"""`manage.py sweep`: bring the alerts up to date now, by hand."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from inventory.models import Lab
from inventory.services import sweep as sweeping


class Command(BaseCommand):
    help = "Open an alert for all that needs a person, close what is cured; prints how many of each."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--lab", help="only the lab with this slug")
        parser.add_argument("--json", action="store_true", help="print JSON")

    def handle(self, *_: Any, **options: Any) -> None:
        lab = self._lab(options["lab"])
        swept = sweeping.sweep(now=timezone.now(), lab=lab)
        standing = sweeping.open_count(lab=lab)
        if options["json"]:
            by_rule = {key: {"opened": each.opened, "closed": each.closed} for key, each in swept.items()}
            self.stdout.write(json.dumps({"rules": by_rule, "open": standing}, indent=2))
            return
        self.stdout.write(f"{'rule':<24}{'opened':>8}{'closed':>8}")
        for rule in sweeping.rules():
            each = swept[rule.key]
            self.stdout.write(f"{rule.key:<24}{each.opened:>8}{each.closed:>8}")
        self.stdout.write(f"{standing} open now.")

    def _lab(self, slug: str | None) -> Lab | None:
        if slug is None:
            return None
        lab = Lab.objects.filter(slug=slug).first()
        if lab is None:
            known = ", ".join(Lab.objects.order_by("slug").values_list("slug", flat=True)) or "none yet"
            raise CommandError(f"--lab: there is no lab “{slug}”; there is: {known}.")
        return lab
