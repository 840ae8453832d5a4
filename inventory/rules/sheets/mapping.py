"""Which column fills which field, in what unit and order of day and month: what a user confirms and edits.

The JSON form holds only what decides: target, columns, units, date_order, century, method. Questions and
evidence are worked out afresh from the table and are never read back.
"""

from __future__ import annotations

import json
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.peroxide import method_named
from inventory.rules.sheets.dates import ANY_SEPARATOR, DateOrder, DateRules
from inventory.rules.sheets.fields import FIELDS, Field, Target
from inventory.rules.units import UNITS

KEYS = ("target", "columns", "units", "date_order", "century", "method")
SEPARATORS = (".", "/", "-", ANY_SEPARATOR)
AMOUNT_UNITS = tuple(code for code, unit in UNITS.items() if unit.dimension in ("volume", "mass"))
READING_UNITS = ("ppm", "mg/L", "%")
JSON_CHARS_MAX = 100_000


@dataclass(frozen=True, slots=True)
class Question:
    """Something for a person. blocking: to be answered before anything is written; otherwise to confirm."""

    code: str
    column: str
    detail: str
    remedy: str
    blocking: bool = True


@dataclass(frozen=True, slots=True)
class Mapping:
    """columns: field to header. units: field to default unit of bare numbers. date_order: field to
    {separator: order}. century: 2000 where two-digit years are allowed. method: of peroxide tests whose
    row names none. unmapped: headers that fill nothing. questions: what to ask or confirm.
    """

    target: Target
    columns: dict[str, str]
    units: dict[str, str] = field(default_factory=dict)
    date_order: dict[str, dict[str, DateOrder]] = field(default_factory=dict)
    century: int | None = None
    method: str = "not-stated"
    unmapped: tuple[str, ...] = ()
    questions: tuple[Question, ...] = ()

    def rules_for(self, key: str) -> DateRules:
        """What is known about the dates of one field."""
        return DateRules(tuple(sorted(self.date_order.get(key, {}).items())), self.century)

    @property
    def blocked(self) -> tuple[Question, ...]:
        """Questions that must be answered first."""
        return tuple(q for q in self.questions if q.blocking)


def to_json(mapping: Mapping) -> str:
    """The mapping as a JSON text that a person can edit and from_json reads back."""
    orders = {key: {sep: str(order) for sep, order in by.items()} for key, by in mapping.date_order.items()}
    body: dict[str, Any] = {"target": mapping.target, "columns": mapping.columns, "units": mapping.units}
    body["date_order"] = orders
    if mapping.century is not None:
        body["century"] = mapping.century
    if mapping.method != "not-stated":
        body["method"] = mapping.method
    return json.dumps(body, ensure_ascii=False, indent=2) + "\n"


def from_json(text: str) -> Mapping:
    """Read a mapping. Raises InputError naming the key: mapping.columns.left and so on."""
    if len(text) > JSON_CHARS_MAX:
        raise _bad("mapping", "is too long", f"Keep it under {JSON_CHARS_MAX} characters.")
    try:
        body = json.loads(text)
    except (ValueError, RecursionError) as fault:
        raise _bad("mapping", f"is not JSON: {fault}", "Save a suggested mapping and edit that.") from fault
    return from_dict(body)


def from_dict(body: object) -> Mapping:
    """As from_json, for a body already decoded."""
    found = _object(body, "mapping")
    unknown = sorted(set(found) - set(KEYS))
    if unknown:
        raise _bad(f"mapping.{unknown[0]}", "is not a key of a mapping", f"Use: {', '.join(KEYS)}.")
    target = found.get("target")
    if target not in tuple(FIELDS):
        raise _bad("mapping.target", f"is {target!r}", 'Use "stock" or "runs".')
    chosen: Target = "runs" if target == "runs" else "stock"
    fields = {f.key: f for f in FIELDS[chosen]}
    return Mapping(
        target=chosen,
        columns=_columns(found.get("columns", {}), fields),
        units=_units(found.get("units", {}), fields),
        date_order=_orders(found.get("date_order", {}), fields),
        century=_century(found.get("century")),
        method=_method(found.get("method", "not-stated")),
    )


def _columns(body: object, fields: MappingOf[str, Field]) -> dict[str, str]:
    columns = _strings(body, "mapping.columns", fields)
    taken: dict[str, str] = {}
    for key, header in columns.items():
        if header in taken:
            raise _bad(
                f"mapping.columns.{key}", f"names {header!r}, as {taken[header]} does", "One field a column."
            )
        taken[header] = key
    return columns


def _units(body: object, fields: MappingOf[str, Field]) -> dict[str, str]:
    units = _strings(body, "mapping.units", fields)
    for key, unit in units.items():
        allowed = {"volume": AMOUNT_UNITS, "reading": READING_UNITS}.get(fields[key].kind, ())
        if unit not in allowed:
            raise _bad(
                f"mapping.units.{key}", f"is {unit!r}", f"Use: {', '.join(allowed) or 'no unit here'}."
            )
    return units


def _orders(body: object, fields: MappingOf[str, Field]) -> dict[str, dict[str, DateOrder]]:
    dated = [f.key for f in fields.values() if f.kind == "date"]
    if isinstance(body, str):
        return {key: {ANY_SEPARATOR: _order(body, "mapping.date_order")} for key in dated}
    orders: dict[str, dict[str, DateOrder]] = {}
    for key, by in _object(body, "mapping.date_order").items():
        name = f"mapping.date_order.{key}"
        if key not in dated:
            raise _bad(name, "is not a date field", f"Use: {', '.join(dated)}.")
        parts = {ANY_SEPARATOR: by} if isinstance(by, str) else _object(by, name)
        wrong = [sep for sep in parts if sep not in SEPARATORS]
        if wrong:
            raise _bad(f"{name}.{wrong[0]}", "is no separator", f"Use: {' '.join(SEPARATORS)}")
        orders[key] = {sep: _order(order, f"{name}.{sep}") for sep, order in parts.items()}
    return orders


def _order(value: object, name: str) -> DateOrder:
    for order in DateOrder:
        if value == order.value:
            return order
    raise _bad(name, f"is {value!r}", 'Use "day-first" or "month-first".')


def _century(value: object) -> int | None:
    if value is None or (value in (1900, 2000) and type(value) is int):
        return value if isinstance(value, int) else None
    raise _bad("mapping.century", f"is {value!r}", "Use 2000 or 1900, or leave it out.")


def _method(value: object) -> str:
    if not isinstance(value, str):
        raise _bad("mapping.method", f"is {value!r}", "Name a test method.")
    return method_named(value, field="mapping.method").key


def _strings(body: object, name: str, fields: MappingOf[str, Field]) -> dict[str, str]:
    result: dict[str, str] = {}
    for key, value in _object(body, name).items():
        if key not in fields:
            raise _bad(f"{name}.{key}", "is not a field", f"Use: {', '.join(fields)}.")
        if not isinstance(value, str) or not value.strip():
            raise _bad(f"{name}.{key}", f"is {value!r}", "Give a text.")
        result[key] = value
    return result


def _object(body: object, name: str) -> dict[str, Any]:
    if not isinstance(body, dict):
        raise _bad(name, "is not a JSON object", "Write it in braces.")
    return body


def _bad(name: str, what: str, remedy: str) -> InputError:
    return InputError(name, "mapping-bad", f"{name} {what}.", remedy)
