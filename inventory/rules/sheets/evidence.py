"""What the cells of a column say about its unit and its order of day and month."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache, reduce

from inventory.rules.errors import InputError
from inventory.rules.number_text import split_number
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.dates import ANY_SEPARATOR, DateOrder, OrderFinding, find_orders, has_short_years
from inventory.rules.sheets.fields import Field
from inventory.rules.sheets.mapping import Mapping, Question
from inventory.rules.sheets.reading import Table
from inventory.rules.units import Unit, affine, find_unit

# A bare number is taken in a unit only where that puts it within ten times of what the others state.
MAGNITUDE = 10
_ORDERS = {
    DateOrder.DAY_FIRST: Phrase("day-first"),
    DateOrder.MONTH_FIRST: Phrase("month-first"),
}


@dataclass(frozen=True, slots=True)
class Filled:
    """A field with the column that fills it."""

    field: Field
    header: str
    table: Table

    def cells(self) -> list[tuple[int, str]]:
        """(line, text) of the cells that are not empty."""
        header = self.header
        return [(r.line, r.cells[header]) for r in self.table.rows if r.cells[header].strip()]


@dataclass(frozen=True, slots=True)
class _Amounts:
    """stated: (unit code, volume in mL); bare: numbers without a unit, zeros left out."""

    stated: tuple[tuple[str, Decimal], ...]
    bare: tuple[Decimal, ...]
    any_bare: bool


def all_of(words: list[str]) -> str:
    """One and another and a third."""
    return reduce(lambda some, more: Phrase("{some} and {more}", some=some, more=more), words)


def unit_evidence(columns: MappingOf[str, Filled], units: dict[str, str], asked: list[Question]) -> None:
    """Suggest a unit for each amount column that has bare numbers and no unit yet, or ask."""
    amounts = {key: _amounts(f) for key, f in columns.items() if f.field.kind == "volume"}
    everything = tuple(one for found in amounts.values() for one in found.stated)
    for key, found in amounts.items():
        if key in units or not found.any_bare:
            continue
        header, own = columns[key].header, bool(found.stated)
        stated = found.stated if own else everything
        fitting = _fitting(found.bare, stated)
        if len(fitting) == 1:
            units[key] = fitting[0]
            asked.append(_suggested(header, fitting[0], found, stated, own))
        else:
            asked.append(_unit_unknown(header, key, found.bare, fitting))


def _amounts(filled: Filled) -> _Amounts:
    stated: dict[tuple[str, Decimal], None] = {}
    bare: dict[Decimal, None] = {}
    any_bare = False
    for text in dict.fromkeys(text for _, text in filled.cells()):
        found = _amount(text)
        if found is None:
            continue
        value, code = found
        if code:
            stated[code, value] = None
        else:
            any_bare = True
            if value > 0:
                bare[value] = None
    return _Amounts(tuple(stated), tuple(bare), any_bare)


@lru_cache(maxsize=65536)
def _amount(text: str) -> tuple[Decimal, str] | None:
    """(volume in mL, unit code), or (number, "") for a bare one; None for anything else."""
    try:
        value, rest = split_number(text, field="")
    except InputError:
        return None
    if not rest:
        return value, ""
    unit = find_unit(rest) if len(rest) <= 32 else None
    if not isinstance(unit, Unit) or unit.dimension != "volume" or value <= 0:
        return None
    return value * _per_ml(unit.code), unit.code


@lru_cache(maxsize=64)
def _per_ml(code: str) -> Decimal:
    slope, _ = affine(code, "mL")
    return Decimal(slope.numerator) / Decimal(slope.denominator)


def _fitting(bare: tuple[Decimal, ...], stated: tuple[tuple[str, Decimal], ...]) -> list[str]:
    """Stated units in which every bare number is of the stated numbers' size."""
    if not stated:
        return []
    low, high = min(v for _, v in stated) / MAGNITUDE, max(v for _, v in stated) * MAGNITUDE
    codes = sorted({code for code, _ in stated})
    return [code for code in codes if all(low <= value * _per_ml(code) <= high for value in bare)]


def _suggested(
    header: str, unit: str, found: _Amounts, stated: tuple[tuple[str, Decimal], ...], own: bool
) -> Question:
    low, high = (
        f"{format(v.normalize(), 'f')} mL" for v in (min(v for _, v in stated), max(v for _, v in stated))
    )
    where = Phrase("the other cells of the column") if own else Phrase("the other amount columns")
    span = Phrase("{low} to {high}", low=min(found.bare, default=0), high=max(found.bare, default=0))
    detail = Phrase(
        "Numbers without a unit ({span}) are taken as {unit}: {where} state {low} to {high}.",
        span=span,
        unit=unit,
        where=where,
        low=low,
        high=high,
    )
    return Question(
        "unit-suggested", header, detail, 'Confirm, or name the unit under "units".', blocking=False
    )


def _unit_unknown(header: str, key: str, bare: tuple[Decimal, ...], fitting: list[str]) -> Question:
    example = min(bare, default=Decimal(0))
    why = Phrase("no other cell tells")
    if fitting:
        why = Phrase("{units} would both fit", units=all_of(fitting))
    remedy = f'Name it in the mapping: "units": {{"{key}": "mL"}}.'
    return Question(
        "unit-unknown",
        header,
        Phrase("Numbers without a unit, such as {example}: {why}.", example=example, why=why),
        remedy,
    )


def date_evidence(
    columns: MappingOf[str, Filled], mapping: Mapping, asked: list[Question]
) -> dict[str, dict[str, DateOrder]]:
    """Orders per field and separator, as stated or by evidence; what is open or contradicted is asked."""
    orders = {key: dict(by) for key, by in mapping.date_order.items()}
    for key, filled in columns.items():
        if filled.field.kind != "date":
            continue
        cells = filled.cells()
        for separator, finding in find_orders(cells).items():
            stated = orders.get(key, {})
            order = stated.get(separator, stated.get(ANY_SEPARATOR))
            question = _date_question(filled.header, key, finding, order)
            if question:
                asked.append(question)
            if order is None and finding.order:
                orders.setdefault(key, {})[separator] = finding.order
        short = None if mapping.century else has_short_years(text for _, text in cells)
        if short:
            asked.append(_short_year(filled.header, short))
    return orders


def _date_question(header: str, key: str, found: OrderFinding, stated: DateOrder | None) -> Question | None:
    remedy = f'Say --day-first or --month-first, or in the mapping "date_order": {{"{key}": "day-first"}}.'
    form = Phrase("Dates with “{separator}”", separator=found.separator)
    if stated:
        against = found.month_first if stated is DateOrder.DAY_FIRST else found.day_first
        if not found.order or not against:
            return None
        detail = Phrase(
            "{dates} were said to be {order}, but line {line} has “{text}”.",
            dates=form,
            order=_ORDERS[stated],
            line=against[0],
            text=against[1],
        )
        return Question("date-order-contradicted", header, detail, remedy)
    proof = found.day_first or found.month_first
    if found.day_first and found.month_first:
        first, second = found.day_first, found.month_first
        detail = Phrase(
            "{dates}: line {line} has “{text}”, line {line_after} has “{text_after}”.",
            dates=form,
            line=first[0],
            text=first[1],
            line_after=second[0],
            text_after=second[1],
        )
        return Question("date-order-mixed", header, detail, remedy)
    if proof:
        detail = Phrase(
            "{dates} are read {order}: line {line} has “{text}”.",
            dates=form,
            order=_ORDERS[found.order or DateOrder.DAY_FIRST],
            line=proof[0],
            text=proof[1],
        )
        return Question("date-order-found", header, detail, remedy, blocking=False)
    if not found.needed:
        return None
    line, text = found.example
    detail = Phrase(
        "{dates} may be day first or month first, such as “{text}” on line {line}.",
        dates=form,
        text=text,
        line=line,
    )
    return Question("date-order-unknown", header, detail, remedy)


def _short_year(header: str, text: str) -> Question:
    remedy = 'Write four digits, or put "century": 2000 in the mapping.'
    return Question(
        "date-year-short", header, Phrase("“{text}” has a year of two digits.", text=text), remedy
    )
