"""What every planner of rows needs: cells read once and remembered, file-wide remarks, fingerprints."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from hashlib import sha256
from typing import Generic, TypeVar

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity, parse_quantity
from inventory.rules.sheets.cells import NAME_MAX
from inventory.rules.sheets.dates import DateRules, parse_date
from inventory.rules.sheets.mapping import Mapping as SheetMapping
from inventory.rules.sheets.outcomes import Level, Outcome, from_error, warning
from inventory.rules.sheets.reading import Table

T = TypeVar("T")
Resolve = Callable[[str], str]
# Questions without whose answer not one row can be trusted.
_STOPS_ALL = frozenset(("column-missing", "column-twice", "date-order-contradicted"))


@dataclass(slots=True)
class Column(Generic[T]):
    """One mapped column. Equal cells are read once; what cannot be read is noted for its row."""

    header: str
    read: Callable[[str], T]
    memo: dict[str, T | InputError] = field(default_factory=dict)

    def get(self, line: int, text: str, said: list[Outcome]) -> T | None:
        """The value of a cell, or None after noting why it has none."""
        found = self.memo.get(text)
        if found is None:
            found = self._learnt(text)
        if isinstance(found, InputError):
            said.append(from_error(line, self.header, found))
            return None
        return found

    def _learnt(self, text: str) -> T | InputError:
        try:
            found: T | InputError = self.read(text)
        except InputError as fault:
            found = fault.with_traceback(None)
        self.memo[text] = found
        return found


@dataclass(frozen=True, slots=True)
class Amount:
    """quantity: as entered. ml: the same in mL at the temperature it was read, None for a mass."""

    quantity: Quantity
    ml: Decimal | None


def amount_reader(name: str, unit: str | None, *, allow_zero: bool) -> Callable[[str], Amount]:
    """Reads an amount cell; unit: UCUM code for a bare number, None to refuse one."""

    def read(text: str) -> Amount:
        found = parse_quantity(
            text.strip(), field=name, dimension=("volume", "mass"), default_unit=unit, allow_zero=allow_zero
        )
        return Amount(found, found.to("mL") if found.dimension == "volume" else None)

    return read


def date_reader(name: str, rules: DateRules, today: date | None) -> Callable[[str], date]:
    """Reads a date cell that is not empty; today: latest good date, None for no limit."""

    def read(text: str) -> date:
        found = parse_date(text, rules, name=name)
        if today is not None:
            refuse_future(name, found, today)
        return found

    return read


def refuse_future(name: str, found: date, today: date) -> None:
    """Raise InputError date-future for a day that has not come."""
    if found > today:
        raise InputError(
            name,
            "date-future",
            Phrase("{day} lies after today, {today}.", day=found, today=today),
            Phrase("Correct the date."),
        )


def solvent_reader(resolve: Resolve) -> Callable[[str], str]:
    """Reads a solvent name to a catalogue key; the error carries the suggestions of the catalogue."""

    def read(name: str) -> str:
        if not name:
            raise InputError("solvent", "solvent-missing", Phrase("No solvent is named."), Phrase("Name it."))
        if len(name) > NAME_MAX:
            raise InputError(
                "solvent",
                "solvent-too-long",
                Phrase("“{name}”... is no name.", name=name[:40]),
                Phrase("Shorten it."),
            )
        try:
            return resolve(name)
        except InputError as fault:
            raise InputError("solvent", fault.code, fault.detail, _with_suggestions(fault)) from fault

    return read


def _with_suggestions(fault: InputError) -> str:
    near = [str(s) for s in getattr(fault, "suggestions", ()) or ()]
    if not near or near[0] in fault.remedy:
        return fault.remedy
    return Phrase.joined((fault.remedy, Phrase("Near it: {names}.", names=", ".join(near))))


def file_outcomes(table: Table, mapping: SheetMapping) -> list[Outcome]:
    """What is to say before any row: problems of the file, questions that block, things to confirm."""
    said = list(table.problems)
    for q in mapping.questions:
        level: Level = "error" if q.blocking else "info"
        said.append(Outcome(0, q.column, level, q.code, q.detail, q.remedy))
    for header in mapping.unmapped:
        if any(row.cells[header].strip() for row in table.rows):
            reason = Phrase(
                "The column “{header}” fills no field; its cells are not imported.", header=header
            )
            said.append(warning(0, header, "column-unmapped", reason, "Name a field for it in the mapping."))
    return said


def stops_all(mapping: SheetMapping, target: str) -> bool:
    """True while no row can be read for an open question. Raises InputError for a wrong target."""
    if mapping.target != target:
        detail = Phrase("The mapping is for {given}, not for {target}.", given=mapping.target, target=target)
        raise InputError(
            "mapping.target",
            "mapping-bad",
            detail,
            Phrase('Use a mapping with "target": "{target}".', target=target),
        )
    return any(q.code in _STOPS_ALL for q in mapping.blocked)


def row_fingerprint(target: str, code: str, mapped: Mapping[str, str], cells: Mapping[str, str]) -> str:
    """sha256 of the folded cells that are mapped and not empty. mapped: field to header, in a fixed order.

    Case, spacing, column order and unmapped columns do not matter.
    """
    parts = [target, code.casefold()]
    for key, header in mapped.items():
        folded = " ".join(cells[header].split()).casefold()
        if folded:
            parts.append(f"{key}={folded}")
    return sha256("\x00".join(parts).encode("utf-8", "surrogatepass")).hexdigest()
