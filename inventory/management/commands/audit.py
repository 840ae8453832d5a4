"""`manage.py audit`: work balances, flows and due dates out again; exit code 1 when anything differs."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError

from inventory.management.base import lab_named
from inventory.services.audit import AuditReport, audit

SHOWN = 200


def report_text(report: AuditReport) -> str:
    """The report in lines: every finding up to a limit, then what was compared."""
    lines = [str(finding) for finding in report.findings[:SHOWN]]
    if len(report.findings) > SHOWN:
        lines.append(f"... and {len(report.findings) - SHOWN} more; --json shows them all.")
    counts = ", ".join(f"{count} {name}" for name, count in report.compared.items())
    verdict = "No difference" if report.clean else f"{len(report.findings)} differences; nothing was changed"
    where = f"lab {report.lab}" if report.lab else "all labs"
    lines.append(f"{verdict}. Compared for {where}: {counts}, {report.due_dates} due dates worked out again.")
    return "\n".join(lines)


class Command(BaseCommand):
    help = (
        "Work out balances, flows and due dates again from the movements and facts. Repairs nothing. "
        "Exit code 0: no difference, 1: differences, 2: could not run."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--lab", help="short name of one lab; all labs when left out")
        parser.add_argument("--json", action="store_true", help="the whole report as one JSON object")
        parser.add_argument("--full", action="store_true", help="work out every due date, not a sample")

    def handle(self, *_args: Any, **options: Any) -> None:
        try:
            lab = lab_named(options["lab"]) if options["lab"] else None
            report = audit(lab=lab, full=options["full"])
        except DatabaseError as fault:
            words = str(fault).strip().splitlines()[0]
            raise CommandError(
                f"The audit could not run: {words}. Is the database there and migrated?", returncode=2
            ) from fault
        self.stdout.write(json.dumps(report.as_json()) if options["json"] else report_text(report))
        if not report.clean:
            sys.exit(1)
