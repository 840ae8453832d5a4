"""A list as a CSV file for a spreadsheet, written while it is sent. Volumes are in µL at 20 °C.

Beside each such column stands the same in the reader's unit, to the last microlitre.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.http import StreamingHttpResponse

from inventory.rules.shown_units import DEFAULT, exact
from inventory.templatetags.amounts import UNIT

# A spreadsheet takes a cell that begins so for a formula and carries it out.
_FORMULA = re.compile(r"^[=+\-@\t\r](?![0-9]+(?:[.,][0-9]+)?$)")


class _Echo:
    def write(self, text: str) -> str:
        return text


def cell(value: Any) -> str:
    """As it stands in the file. Only text of people can be a formula; a negative number stays one."""
    text = "" if value is None else str(value)
    return f"'{text}" if isinstance(value, str) and _FORMULA.match(text) else text


def csv_file(name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """A download. name: of the file, without its ending. The mark in front tells spreadsheets it is UTF-8."""
    told = Beside.of(
        columns, UNIT.get() or DEFAULT
    )  # before it is sent: later nobody knows whose page it was
    response = StreamingHttpResponse(_lines(told, columns, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response


@dataclass(frozen=True)
class Beside:
    """Which columns are in µL and get another beside them, in a unit of `rules.shown_units`."""

    at: frozenset[int]
    unit: str

    @staticmethod
    def of(columns: Sequence[str], unit: str) -> Beside:
        named = range(0) if unit == "uL" else range(len(columns))
        return Beside(frozenset(n for n in named if columns[n].endswith("_ul")), unit)

    def names(self, columns: Sequence[str]) -> Iterator[str]:
        for number, name in enumerate(columns):
            yield name
            if number in self.at:
                yield f"{name.removesuffix('_ul')}_{self.unit.lower()}"

    def cells(self, row: Sequence[Any]) -> Iterator[str]:
        for number, value in enumerate(row):
            yield cell(value)
            if number in self.at:
                yield "" if value in (None, "") else exact(Decimal(str(value)), self.unit)


def _lines(told: Beside, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    writer = csv.writer(_Echo())
    yield "\ufeff" + writer.writerow(told.names(columns))
    for row in rows:
        yield writer.writerow(told.cells(row))
