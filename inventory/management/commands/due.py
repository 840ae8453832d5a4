"""`manage.py due`: which containers need a test or a person, most dangerous first."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from datetime import datetime
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from inventory.management.base import add_lab, lab_named
from inventory.models import Lab
from inventory.rules.text_table import millilitres, text_table
from inventory.selectors.due import OVERDUE, DueItem, due_list, today_in
from inventory.services.due_telling import judged

CAUTION = (
    "What stands beside each container holds. In doubt leave it shut where it is, keep others away and ask\n"
    "your supervisor; follow your local code, and leave disposal to licensed people."
)
HEADERS = ["state", "container", "solvent", "class", "mL", "due", "days over", "where", "why"]


def due_text(lab: Lab, now: datetime) -> str:
    """The due list as a table, or a line that says there is nothing."""
    today = today_in(lab, now)
    items = judged(due_list(lab=lab, today=today), today)
    if not items:
        return "Nothing is due, and nothing falls due soon."
    table = text_table(HEADERS, [_cells(item) for item in items], right=(4, 6))
    return f"{table}\n\n{CAUTION}" if items[0].rank <= OVERDUE else table


def _cells(item: DueItem) -> list[object]:
    return [
        item.state,
        item.code,
        item.solvent,
        item.peroxide_class,
        millilitres(item.volume_ul),
        "" if item.next_test_due is None or item.days is None else item.next_test_due,
        "" if item.days is None else item.days,
        item.location,
        item.why,
    ]


class Command(BaseCommand):
    help = "List what is due for a peroxide test or needs a person, most dangerous first."

    def add_arguments(self, parser: ArgumentParser) -> None:
        add_lab(parser)
        parser.add_argument("--json", action="store_true", help="one JSON object a line")

    def handle(self, *_args: Any, **options: Any) -> None:
        lab, now = lab_named(options["lab"]), timezone.now()
        if not options["json"]:
            self.stdout.write(due_text(lab, now))
            return
        today = today_in(lab, now)
        for item in judged(due_list(lab=lab, today=today), today):
            row = {name: getattr(item, name) for name in item.__slots__} | {"state": item.state}
            self.stdout.write(json.dumps(row, default=str))
