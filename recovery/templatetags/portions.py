"""Ways to extract as a table: each column with one number of decimals, what cannot be done said once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from itertools import groupby
from typing import Any

from django import template

from inventory.templatetags.amounts import marked

register = template.Library()
VOLUMES = ("portion_ml", "total_ml", "net_ml")
#: per cent of a yield, whatever its figures: a column is read by its decimal mark
CENT = Decimal("0.01")
#: so many rows with one and the same note are said once
ALIKE = 3


@dataclass(frozen=True)
class Ways:
    """Rows that stand together. note: what holds of all of them, and puts them apart; else empty."""

    note: Any
    rows: list[dict[str, Any]]

    @property
    def with_notes(self) -> bool:
        """Whether some of them have a note of their own."""
        return not self.note and any(row["note"] for row in self.rows)

    @property
    def first(self) -> int:
        return int(self.rows[0]["portions"])

    @property
    def last(self) -> int:
        return int(self.rows[-1]["portions"])


@register.filter
def lined_up(rows: Iterable[Mapping[str, Any]]) -> list[Ways]:
    """The rows of a plan in order: first those to choose from, then each long run with one note by itself."""
    shown = _in_columns(list(rows))
    chosen: list[dict[str, Any]] = []
    apart: list[Ways] = []
    for note, some in groupby(shown, key=lambda row: row["note"]):
        alike = list(some)
        if note and len(alike) >= ALIKE and len(alike) < len(shown):
            apart.append(Ways(note, alike))
        else:
            chosen += alike
    return [*([Ways("", chosen)] if chosen else []), *apart]


def _in_columns(rows: list[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """With the numbers written out, in a column all with as many decimals as the longest of them."""
    longest = {name: max((_decimals(row[name]) for row in rows), default=0) for name in VOLUMES}
    steps = {name: Decimal(1).scaleb(-many) for name, many in longest.items()} | {"yield_percent": CENT}
    return [{**row, **{name: _written(row[name], step) for name, step in steps.items()}} for row in rows]


def _decimals(number: Any) -> int:
    return len(str(number).partition(".")[2])


def _written(number: Any, step: Decimal) -> str:
    return marked(f"{Decimal(str(number)).quantize(step, ROUND_HALF_UP):f}")
