"""What an import found and did, row by row: one shape for the terminal and for programs."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from inventory.models import Lab, Solvent
from inventory.rules.catalogue import resolve
from inventory.rules.errors import InputError
from inventory.rules.peroxide import method_named
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity
from inventory.rules.sheets.dates import DateOrder
from inventory.rules.sheets.fields import Target
from inventory.rules.sheets.headers import checked_mapping, suggest_mapping, with_date_order
from inventory.rules.sheets.mapping import Mapping as SheetMapping
from inventory.rules.sheets.mapping import from_dict, to_json
from inventory.rules.sheets.outcomes import Outcome, from_error
from inventory.rules.sheets.reading import Table, read_table
from inventory.rules.volume import Entry, Measured, measure
from inventory.services.catalogue import own_names, solvents_of
from inventory.services.measuring import liquid_of

# new: good, and written if anything was. known: imported before. bad: named errors. unread: the file's own
# questions come first.
Status = Literal["new", "known", "bad", "unread"]
GivenMapping = SheetMapping | Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class RowResult:
    """line: physical line in the file. title: what the row is about, for people."""

    line: int
    status: Status
    title: str


@dataclass(frozen=True)
class ImportReport:
    """All that is to say about one file. totals: one row per solvent, over the new rows.

    blocked: a question about the whole file is open, so nothing can be written. written: the new rows are in.
    """

    target: Target
    filename: str
    file_sha256: str
    table: Table = field(repr=False)
    mapping: SheetMapping
    rows: tuple[RowResult, ...] = field(repr=False)
    outcomes: tuple[Outcome, ...] = field(repr=False)
    totals: tuple[Mapping[str, Any], ...]
    blocked: bool
    all_or_none: bool = False
    written: bool = False

    @property
    def counts(self) -> dict[str, int]:
        """Rows by status."""
        counts = dict.fromkeys(("new", "known", "bad", "unread"), 0)
        for row in self.rows:
            counts[row.status] += 1
        return counts

    @property
    def exit_code(self) -> int:
        """0: every row is good; 1: some are bad; 2: questions about the file are open."""
        if self.blocked:
            return 2
        return 1 if self.counts["bad"] else 0

    def notes(self) -> dict[int, list[Outcome]]:
        """Outcomes by line; 0 for the whole file."""
        by_line: dict[int, list[Outcome]] = defaultdict(list)
        for outcome in self.outcomes:
            by_line[outcome.line].append(outcome)
        return by_line

    def as_dict(self) -> dict[str, Any]:
        """The report as plain JSON values."""
        notes = self.notes()
        return {
            "target": self.target,
            "filename": self.filename,
            "file_sha256": self.file_sha256,
            "encoding": self.table.encoding,
            "delimiter": self.table.delimiter,
            "mapping": json.loads(to_json(self.mapping)),
            "unmapped": list(self.mapping.unmapped),
            "questions": [asdict(question) for question in self.mapping.questions],
            "blocked": self.blocked,
            "all_or_none": self.all_or_none,
            "written": self.written,
            "counts": self.counts,
            "notes": [_note(outcome) for outcome in notes.get(0, ())],
            "rows": [
                {
                    "line": row.line,
                    "status": row.status,
                    "title": row.title,
                    "notes": [_note(o) for o in notes.get(row.line, ())],
                }
                for row in self.rows
            ],
            "totals": [dict(total) for total in self.totals],
        }


def _note(outcome: Outcome) -> dict[str, str]:
    return {name: getattr(outcome, name) for name in ("column", "level", "code", "reason", "remedy")}


def prepared(
    data: bytes,
    target: Target,
    mapping: GivenMapping | None,
    *,
    date_order: DateOrder | str | None,
    method: str,
) -> tuple[Table, SheetMapping]:
    """The file as a table and the mapping to read it by: as given, or suggested.

    Raises InputError for a file that is no table, a mapping that does not fit it, an unknown method.
    """
    order = _order(date_order)
    method = method_named(method, field="test_method").key
    table = read_table(data)
    if mapping is None:
        return table, suggest_mapping(table.headers, target, table, date_order=order, method=method)
    given = mapping if isinstance(mapping, SheetMapping) else from_dict(mapping)
    if given.target != target:
        raise InputError(
            "mapping.target",
            "mapping-bad",
            Phrase("The mapping is for {given}, not for {target}.", given=given.target, target=target),
            Phrase('Use a mapping with "target": "{target}".', target=target),
        )
    if order is not None:
        given = with_date_order(given, order)
    if method != "not-stated":
        given = SheetMapping(
            given.target, given.columns, given.units, given.date_order, given.century, method
        )
    return table, checked_mapping(given, table)


def _order(order: DateOrder | str | None) -> DateOrder | None:
    if order is None or order == "":
        return None
    if order not in list(DateOrder):
        raise InputError(
            "date_order",
            "unknown-choice",
            Phrase("“{order}” is no order.", order=order),
            Phrase("Use day-first or month-first."),
        )
    return DateOrder(order)


def statuses(
    table: Table, mapping: SheetMapping, new: Mapping[int, str], known: Mapping[int, str], read: bool
) -> tuple[RowResult, ...]:
    """One result for every row. new, known: line to title; read False: no row could be read yet."""
    results = []
    for row in table.rows:
        line = row.line
        if line in new:
            results.append(RowResult(line, "new", new[line]))
        elif line in known:
            results.append(RowResult(line, "known", known[line]))
        else:
            results.append(RowResult(line, "bad" if read else "unread", _as_typed(row.cells, mapping)))
    return tuple(results)


def _as_typed(cells: Mapping[str, str], mapping: SheetMapping) -> str:
    """What a row that cannot be used says, by its most telling cells."""
    keys = ("on", "code", "solvent", "left", "out")
    texts = (cells[mapping.columns[key]].strip() for key in keys if key in mapping.columns)
    return "  ".join(text for text in texts if text)[:70]


class Amounts:
    """Amounts of a file's solvents as whole microlitres; equal ones are worked out once."""

    def __init__(self, lab: Lab) -> None:
        self.solvents: dict[str, Solvent] = {s.key: s for s in solvents_of(lab)}
        self._own = own_names(lab)
        self._known: dict[tuple[object, ...], Measured | InputError] = {}

    def resolve(self, name: str) -> str:
        """Name of a solvent to its key. Raises InputError for one that is not known."""
        return name if name in self.solvents else resolve(name, self._own)

    def get(
        self, key: str, amount: Quantity, *, instrument: str | None = None, capacity_ul: int | None = None
    ) -> Measured:
        """The volume at 20 °C of an amount of the solvent with that key. Raises InputError as `measure`."""
        asked = (key, amount, instrument, capacity_ul)
        found = self._known.get(asked)
        if found is None:
            found = self._known[asked] = self._measured(key, amount, instrument, capacity_ul)
        if isinstance(found, InputError):
            raise found
        return found

    def _measured(
        self, key: str, amount: Quantity, instrument: str | None, capacity_ul: int | None
    ) -> Measured | InputError:
        try:
            return measure(
                Entry(amount, instrument=instrument),
                liquid_of(self.solvents[key]),
                field="volume",
                capacity_ul=capacity_ul,
                allow_zero=True,
            )
        except InputError as fault:
            return fault.with_traceback(None)


def refused(line: int, header: str, fault: InputError, said: list[Outcome]) -> None:
    """Note why a row cannot be taken in."""
    said.append(from_error(line, header, fault))


def by_line(outcomes: Iterable[Outcome], more: Sequence[Outcome]) -> tuple[Outcome, ...]:
    """All outcomes in the order of the file."""
    return tuple(sorted([*outcomes, *more], key=lambda o: o.line))
