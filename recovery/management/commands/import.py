"""`manage.py import stock FILE` and `import runs FILE`: spreadsheets as people keep them, into the records.

Without --write nothing is written: the report shows what would be. Exit codes: 0 every row is good, 1 some
rows are bad, 2 it could not be done.
"""

# ruff: noqa: N999 - the command is called import

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from datetime import date
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inventory.management.base import add_lab, lab_named, person_named
from inventory.models import Lab, Membership, User
from inventory.rules.errors import InputError
from inventory.rules.peroxide import METHODS
from inventory.rules.roles import allowed
from inventory.rules.sheets.headers import Mapping, from_json, to_json
from inventory.services.import_report import ImportReport
from inventory.services.importing import import_stock
from recovery.management.import_text import mapping_text, report_text
from recovery.services.importing import import_runs

CAN_WRITE = "import.write"
UNCONFIRMED = (
    "The mapping is not confirmed: look at it in a dry run, then repeat with --yes, or save it with "
    "--save-mapping, correct it, and give it with --mapping."
)


class Command(BaseCommand):
    help = "Take in a stock list or a run log (CSV). A dry run unless --write is given."

    def add_arguments(self, parser: ArgumentParser) -> None:
        kinds = parser.add_subparsers(dest="kind", required=True, metavar="stock|runs")
        stock = kinds.add_parser("stock", help="containers with what is left in them")
        runs = kinds.add_parser("runs", help="what was taken for which run, and what came back")
        for sub in (stock, runs):
            _common(sub)
        stock.add_argument(
            "--counted-on",
            type=day,
            metavar="DATE",
            help="day at whose start the amounts were true, as 2026-01-31 (now); earlier runs are history",
        )
        stock.add_argument(
            "--test-method",
            choices=sorted(METHODS),
            default="not-stated",
            help="how peroxides were tested where the row does not say (not-stated)",
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        lab = lab_named(options["lab"])
        person = person_named(lab, options["as"])
        if options["write"]:
            _check_right(lab, person)
        try:
            data = Path(options["file"]).read_bytes()
        except OSError as fault:
            reason = fault.strerror or "it cannot be read"
            raise CommandError(f"{options['file']}: {reason}.", returncode=2) from fault
        try:
            report = self.work(lab, person, data, options)
        except InputError as fault:
            raise CommandError(str(fault), returncode=2) from fault
        self.finish(report, options)

    def work(self, lab: Lab, person: User, data: bytes, options: dict[str, Any]) -> ImportReport:
        """The report, and with --write the writing, once the mapping is confirmed."""
        mapping, write = _mapping_from(options["mapping"]), options["write"]
        if write and mapping is None and not options["yes"]:
            dry = run_import(lab, person, data, None, options, write=False)
            if dry.blocked:
                return dry
            if not self.confirmed(dry):
                raise CommandError(UNCONFIRMED, returncode=2)
            # What was shown is what is written, whatever would be suggested a moment later.
            mapping = dry.mapping
        report = run_import(lab, person, data, mapping, options, write=write)
        if options["save_mapping"]:
            _save(options["save_mapping"], report.mapping)
        return report

    def confirmed(self, report: ImportReport) -> bool:
        """Ask on a terminal; elsewhere nobody can answer."""
        if not sys.stdin.isatty():
            return False
        self.stdout.write(mapping_text(report))
        return input("Are the columns read rightly? [y/N] ").strip().lower() in ("y", "yes")

    def finish(self, report: ImportReport, options: dict[str, Any]) -> None:
        if options["json"]:
            self.stdout.write(json.dumps(report.as_dict(), ensure_ascii=False))
        else:
            self.stdout.write(report_text(report, asked_to_write=options["write"]))
        if report.exit_code:
            raise SystemExit(report.exit_code)


def _common(sub: ArgumentParser) -> None:
    sub.add_argument("file", metavar="FILE", help="the sheet, saved as CSV")
    add_lab(sub)
    sub.add_argument("--as", metavar="USER", help="who imports (the lab's first supervisor)")
    sub.add_argument("--mapping", metavar="FILE", help="which column is what, as saved and checked by you")
    sub.add_argument("--save-mapping", metavar="FILE", help="save the mapping used, to correct or keep it")
    sub.add_argument("--yes", action="store_true", help="the suggested mapping is right")
    sub.add_argument("--write", action="store_true", help="write the good rows; without it, a dry run")
    sub.add_argument("--all-or-none", action="store_true", help="write nothing while any row is bad")
    order = sub.add_mutually_exclusive_group()
    for name in ("day-first", "month-first"):
        order.add_argument(
            f"--{name}",
            dest="date_order",
            action="store_const",
            const=name,
            help=f"dates such as 05.06.2026 are {name.replace('-', ' ')}",
        )
    sub.add_argument("--json", action="store_true", help="the whole report as one JSON object")


def day(text: str) -> date:
    """As 2026-01-31; argparse names this function when it cannot be read."""
    return date.fromisoformat(text)


def run_import(
    lab: Lab, person: User, data: bytes, mapping: Mapping | None, options: dict[str, Any], *, write: bool
) -> ImportReport:
    """The service that fits, with what both have in common."""
    common: dict[str, Any] = {
        "lab": lab,
        "actor": person,
        "now": timezone.now(),
        "data": data,
        "filename": Path(options["file"]).name,
        "mapping": mapping,
        "date_order": options["date_order"],
        "write": write,
        "all_or_none": options["all_or_none"],
    }
    if options["kind"] == "runs":
        return import_runs(**common)
    return import_stock(**common, counted_on=options["counted_on"], test_method=options["test_method"])


def _check_right(lab: Lab, person: User) -> None:
    role = Membership.objects.values_list("role", flat=True).get(lab=lab, user=person)
    if CAN_WRITE not in allowed(role, None):
        raise CommandError(f"{person.username} is {role} here and may not import.", returncode=2)


def _mapping_from(path: str | None) -> Mapping | None:
    if path is None:
        return None
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise CommandError(f"The mapping {path} cannot be read: {fault}", returncode=2) from fault
    return from_json(text)


def _save(path: str, mapping: Mapping) -> None:
    try:
        Path(path).write_text(to_json(mapping), encoding="utf-8")
    except OSError as fault:
        raise CommandError(f"The mapping cannot be saved: {fault}", returncode=2) from fault
