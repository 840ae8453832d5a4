"""A list as a CSV file for a spreadsheet, written while it is sent. Volumes are in µL at 20 °C."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from django.http import StreamingHttpResponse

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
    response = StreamingHttpResponse(_lines(columns, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response


def _lines(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    writer = csv.writer(_Echo())
    yield "\ufeff" + writer.writerow(columns)
    for row in rows:
        yield writer.writerow([cell(value) for value in row])
