"""A list as a CSV file for a spreadsheet, written while it is sent. Volumes are in µL at 20 °C.

Beside each such column stands the same in the reader's unit, to the last microlitre. In English, columns
and codes stand as programs know them; in any other language as the page's own table says them. Numbers keep
a point.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.http import StreamingHttpResponse
from django.utils import translation
from django.utils.translation import gettext

from inventory.rules.phrases import Phrase
from inventory.rules.shown_units import DEFAULT, UNITS, exact
from inventory.services.speaking import SPOKEN, language_asked, spoken
from inventory.templatetags.amounts import UNIT
from inventory.web.csv_words import COLUMNS, SENTENCES, VALUES

# A spreadsheet takes a cell that begins so for a formula and carries it out.
_FORMULA = re.compile(r"^[=+\-@\t\r](?![0-9]+(?:[.,][0-9]+)?$)")


class _Echo:
    def write(self, text: str) -> str:
        return text


def in_english() -> bool:
    """Columns and codes stand as programs know them."""
    return language_asked() == SPOKEN[0]


def coded(code: str, words: Any) -> Any:
    """A code for a row, or what the page says for it where it is not in English."""
    return code if in_english() else words


def cell(value: Any, column: str = "") -> str:
    """As it stands in the file. Only text of people can be a formula; a negative number stays one."""
    text = "" if value is None else str(value)
    if not in_english():
        text = _in_words(value, text, column)
    return text if isinstance(value, int | float | Decimal) or not _FORMULA.match(text) else f"'{text}"


def _in_words(value: Any, text: str, column: str) -> str:
    if isinstance(value, bool):
        return gettext("yes") if value else gettext("no")
    words = value if isinstance(value, Phrase) else VALUES.get(column, {}).get(text)
    if isinstance(words, Phrase):
        return spoken(words)
    if isinstance(words, str) or (column in SENTENCES and text):
        return gettext(words or text)
    return text if words is None else str(words)


def csv_file(name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """A download. name: of the file, without its ending. The mark in front tells spreadsheets it is UTF-8."""
    told = Beside.of(
        columns, UNIT.get() or DEFAULT
    )  # before it is sent: later nobody knows whose page it was
    lines = _lines(told, columns, rows, translation.get_language())
    response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
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
        plain = in_english()
        for number, name in enumerate(columns):
            words = name if plain else str(COLUMNS.get(name, name))
            yield words
            if number in self.at:
                symbol = UNITS[self.unit].symbol
                yield f"{name.removesuffix('_ul')}_{self.unit.lower()}" if plain else _in_unit(words, symbol)

    def cells(self, row: Sequence[Any], columns: Sequence[str] = ()) -> Iterator[str]:
        for number, value in enumerate(row):
            yield cell(value, columns[number] if number < len(columns) else "")
            if number in self.at:
                yield "" if value in (None, "") else exact(Decimal(str(value)), self.unit)


def _in_unit(words: str, symbol: str) -> str:
    """The name of a column in µL, for the one beside it."""
    return f"{words.removesuffix(UNITS['uL'].symbol)}{symbol}"


def _lines(
    told: Beside, columns: Sequence[str], rows: Iterable[Sequence[Any]], language: str | None
) -> Iterator[str]:
    """Line by line, each made in the language of the page: it is sent when that is over."""
    writer, each = csv.writer(_Echo()), iter(rows)
    with translation.override(language):
        line = "\ufeff" + writer.writerow(told.names(columns))
    while line:
        yield line
        with translation.override(language):
            row = next(each, None)
            line = "" if row is None else writer.writerow(told.cells(row, columns))
