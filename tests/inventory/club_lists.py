"""The club's own two lists, brought in as the command and the API bring them in."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from inventory.models import Container, Flow, ImportedRow, Lot, Movement, Observation, PeroxideTest, Place
from inventory.services.import_report import ImportReport
from inventory.services.importing import import_stock
from tests.factories import Club

SAMPLES = Path(__file__).parent / "samples"
STOCK, RUNS = SAMPLES / "club-stock.csv", SAMPLES / "club-runs.csv"
NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
COUNTED_ON = date(2026, 10, 31)
HEAD = "Bottle no.;What;Where from;Size;Left;Got it on;Opened;Inhibitor;Peroxides ppm;Tested;Remarks"


def stock_in(at: Club, data: bytes | None = None, **options: Any) -> ImportReport:
    """Import the club's stock list, or another one."""
    asked = {"counted_on": COUNTED_ON, "write": True, "filename": "stock.csv", **options}
    body = STOCK.read_bytes() if data is None else data
    return import_stock(lab=at.lab, actor=at.steward, now=NOW, data=body, **asked)


def sheet(*rows: str, head: str = HEAD) -> bytes:
    """A small list as a file."""
    return "\n".join((head, *rows, "")).encode()


def held(code: str) -> Container:
    return Container.objects.select_related("lab__policy", "lot__solvent").get(code=code)


def row_counts() -> dict[str, int]:
    """How many rows the tables have that an import writes."""
    tables = (Container, Flow, ImportedRow, Lot, Movement, Observation, PeroxideTest, Place)
    return {table.__name__: table.objects.count() for table in tables}


def errors(report: ImportReport) -> set[tuple[int, str, str]]:
    return {(o.line, o.column, o.code) for o in report.outcomes if o.level == "error"}
