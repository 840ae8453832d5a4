"""A club's stock list to planned stock rows, each fact at its worse reading, each bad row with its reason."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field
from datetime import date

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity
from inventory.rules.sheets.cells import (
    Inhibitor,
    OpenedCell,
    Origin,
    ReadingCell,
    inhibitor_in,
    method_in,
    opened_in,
    origin_in,
    place_key,
    reading_in,
    solvent_and_inhibitor,
)
from inventory.rules.sheets.folding import squeezed
from inventory.rules.sheets.mapping import Mapping
from inventory.rules.sheets.outcomes import Outcome, bad_lines, error, warning
from inventory.rules.sheets.planning import (
    Amount,
    Column,
    Resolve,
    amount_reader,
    date_reader,
    file_outcomes,
    refuse_future,
    row_fingerprint,
    solvent_reader,
    stops_all,
)
from inventory.rules.sheets.reading import SheetRow, Table
from inventory.rules.sheets.remarks import Sign, signs_in
from inventory.rules.sheets.worse import (
    Dates,
    doubt_noted,
    inhibitor_agreed,
    order_noted,
    signs_noted,
    worse_opened,
)

__all__ = ["Outcome", "StockPlan", "StockRow", "plan_stock"]


@dataclass(frozen=True, slots=True)
class StockRow:
    """One container as the list tells it.

    size, left: as entered (volume, or mass to be turned by density). received_on None: not stated. opened:
    state and day, the day None where it is unknown. reading None: no result, whatever tested_on says;
    tested_on None with a reading: tested at an unknown day. method: test method key. location: trimmed;
    location_key: to match places. fingerprint: sha256 that a second import of the row meets again.
    """

    line: int
    code: str
    solvent_key: str
    solvent_text: str
    inhibitor: Inhibitor
    origin: Origin
    size: Quantity
    left: Quantity
    received_on: date | None
    opened: OpenedCell
    location: str
    location_key: str
    reading: ReadingCell | None
    tested_on: date | None
    method: str
    signs: tuple[Sign, ...]
    remarks: str
    expires_on: date | None
    fingerprint: str
    cells: MappingOf[str, str] = field(repr=False, compare=False)

    @property
    def tested_since_opening(self) -> bool:
        """True only when the test is known to be no older than the opening."""
        opened_on = self.opened.opened_on
        return bool(self.reading and self.tested_on and opened_on and self.tested_on >= opened_on)


@dataclass(frozen=True, slots=True)
class StockPlan:
    """rows: good and new. repeated: good, in the records already with the same facts. outcomes: by line."""

    rows: tuple[StockRow, ...]
    repeated: tuple[StockRow, ...]
    outcomes: tuple[Outcome, ...]

    @property
    def bad_lines(self) -> frozenset[int]:
        """Lines that cannot be imported as they stand."""
        return bad_lines(self.outcomes)

    @property
    def blocked(self) -> bool:
        """True while a question about the whole file is open."""
        return any(o.line == 0 and o.level == "error" for o in self.outcomes)


def plan_stock(
    table: Table,
    mapping: Mapping,
    *,
    today: date,
    counted_on: date,
    known_codes: MappingOf[str, str | None],
    resolve: Resolve,
) -> StockPlan:
    """Plan a stock list; touches nothing.

    counted_on: day on which the amounts were true, not after today. known_codes: code of each container in
    the records to the fingerprint it was imported with, None for one entered otherwise. resolve: solvent
    name to catalogue key, raising InputError for an unknown name.
    Raises InputError for a wrong target or count date; everything about rows is an outcome.
    """
    refuse_future("counted_on", counted_on, today)
    said = file_outcomes(table, mapping)
    if stops_all(mapping, "stock"):
        return StockPlan((), (), tuple(said))
    planner = _Planner(mapping, today, counted_on, known_codes, resolve, bad_lines(said))
    rows: list[StockRow] = []
    repeated: list[StockRow] = []
    for sheet_row in table.rows:
        noted: list[Outcome] = []
        row = planner.row(sheet_row, noted)
        said += noted
        if row is not None:
            (repeated if planner.is_repeat(row) else rows).append(row)
    return StockPlan(tuple(rows), tuple(repeated), tuple(sorted(said, key=lambda o: o.line)))


class _Planner:
    def __init__(
        self,
        mapping: Mapping,
        today: date,
        counted_on: date,
        known_codes: MappingOf[str, str | None],
        resolve: Resolve,
        spoilt: frozenset[int],
    ) -> None:
        self.today, self.counted_on, self.spoilt = today, counted_on, spoilt
        self.known = {squeezed(code): print_ for code, print_ in known_codes.items()}
        self.headers = {key: mapping.columns[key] for key in sorted(mapping.columns)}
        self.seen: dict[str, int] = {}
        self.default_method = mapping.method
        self.peroxide_unit = mapping.units.get("peroxide", "")
        self._columns(mapping, resolve)

    def _columns(self, mapping: Mapping, resolve: Resolve) -> None:
        name, unit = mapping.columns.get, mapping.units.get
        self.solvent = Column(name("solvent", ""), solvent_reader(resolve))
        self.size = Column(name("size", ""), amount_reader("size", unit("size"), allow_zero=False))
        self.left = Column(name("left", ""), amount_reader("left", unit("left"), allow_zero=True))
        self.dates = {
            key: Column(name(key, ""), date_reader(key, mapping.rules_for(key), self.today))
            for key in ("received_on", "tested_on")
        }
        self.dates["expires_on"] = Column(
            name("expires_on", ""), date_reader("expires_on", mapping.rules_for("expires_on"), None)
        )
        rules = mapping.rules_for("opened")

        def opened(text: str) -> OpenedCell:
            found = opened_in(text, rules=rules)
            if found.opened_on:
                refuse_future("opened", found.opened_on, self.today)
            return found

        self.opened = Column(name("opened", ""), opened)

    def is_repeat(self, row: StockRow) -> bool:
        return self.known.get(squeezed(row.code)) == row.fingerprint

    def row(self, sheet_row: SheetRow, said: list[Outcome]) -> StockRow | None:
        """The planned row, or None when the outcomes hold an error for it."""
        cells, line = sheet_row.cells, sheet_row.line
        code = self._code(cells, line, said)
        name, labelled = solvent_and_inhibitor(self._text(cells, "solvent"))
        solvent_key = self.solvent.get(line, name, said)
        size, left = self._amounts(cells, line, said)
        dates = self._dates(cells, line, said)
        method, reading = self._reading(cells, line, said)
        fingerprint = row_fingerprint("stock", code, self.headers, cells)
        self._known_noted(code, fingerprint, line, said)
        if size is None or left is None or solvent_key is None or dates is None:
            return None
        if line in self.spoilt or any(o.level == "error" for o in said):
            return None
        remarks = self._text(cells, "remarks")
        signs = signs_in(remarks)
        origin = self._origin(cells, line, said)
        inhibitor = inhibitor_agreed(
            inhibitor_in(self._text(cells, "inhibitor")),
            labelled,
            origin,
            line,
            self.headers.get("inhibitor", ""),
            said,
        )
        dates = worse_opened(dates, size, left, reading, signs, line, self.opened.header, said)
        dates = order_noted(dates, reading, self.counted_on, line, self.headers, said)
        signs_noted(signs, line, self.headers.get("remarks", ""), said)
        reading, signs = doubt_noted(reading, signs, line, self.headers.get("peroxide", ""), said)
        location = self._text(cells, "location")
        return StockRow(
            line=line,
            code=code,
            solvent_key=solvent_key,
            solvent_text=self._text(cells, "solvent"),
            inhibitor=inhibitor,
            origin=origin,
            size=size.quantity,
            left=left.quantity,
            received_on=dates.received_on,
            opened=dates.opened,
            location=location,
            location_key=place_key(location),
            reading=reading,
            tested_on=dates.tested_on,
            method=method,
            signs=signs,
            remarks=remarks,
            expires_on=dates.expires_on,
            fingerprint=fingerprint,
            cells=cells,
        )

    def _text(self, cells: MappingOf[str, str], key: str) -> str:
        header = self.headers.get(key)
        return cells[header].strip() if header is not None else ""

    def _code(self, cells: MappingOf[str, str], line: int, said: list[Outcome]) -> str:
        code = " ".join(self._text(cells, "code").split())
        header = self.headers["code"]
        if not code:
            remedy = Phrase("Put a number on the bottle and in the list.")
            said.append(error(line, header, "code-missing", Phrase("The row names no bottle."), remedy))
            return ""
        first = self.seen.setdefault(squeezed(code), line)
        if first != line:
            reason = Phrase(
                "{code} stands on line {first} already; which of the two is meant cannot be told.",
                code=code,
                first=first,
            )
            said.append(
                error(line, header, "code-twice", reason, Phrase("Give one of the bottles another number."))
            )
        return code

    def _known_noted(self, code: str, fingerprint: str, line: int, said: list[Outcome]) -> None:
        folded = squeezed(code)
        if not code or folded not in self.known or self.seen[folded] != line:
            return
        header = self.headers["code"]
        if self.known[folded] == fingerprint:
            reason = Phrase("{code} is in the records already with the same facts.", code=code)
            said.append(Outcome(line, header, "info", "row-repeated", reason))
        else:
            reason = Phrase("{code} is in the records already with other facts.", code=code)
            remedy = Phrase("Count, test or correct it there, or give this bottle another number.")
            said.append(error(line, header, "code-taken", reason, remedy))

    def _amounts(
        self, cells: MappingOf[str, str], line: int, said: list[Outcome]
    ) -> tuple[Amount | None, Amount | None]:
        size = self.size.get(line, cells[self.size.header], said)
        left = self.left.get(line, cells[self.left.header], said)
        if size and left and size.ml is not None and left.ml is not None and left.ml > size.ml:
            reason = Phrase(
                "{text} is more than the {size} that the bottle holds.",
                text=left.quantity.text,
                size=size.quantity.text,
            )
            said.append(
                error(
                    line,
                    self.left.header,
                    "more-than-fits",
                    reason,
                    Phrase("Correct the size or the amount."),
                )
            )
        return size, left

    def _dates(self, cells: MappingOf[str, str], line: int, said: list[Outcome]) -> Dates | None:
        before = len(said)
        found: dict[str, date | None] = {}
        for key, column in self.dates.items():
            text = self._text(cells, key)
            found[key] = column.get(line, text, said) if any(map(str.isalnum, text)) else None
        opened = self.opened.get(line, self._text(cells, "opened"), said)
        if opened is None or len(said) > before:
            return None
        return Dates(found["received_on"], opened, found["tested_on"], found["expires_on"])

    def _reading(
        self, cells: MappingOf[str, str], line: int, said: list[Outcome]
    ) -> tuple[str, ReadingCell | None]:
        stated = self._text(cells, "method")
        method = method_in(stated) if stated else self.default_method
        text = self._text(cells, "peroxide")
        if not text or text in ("-", "–"):
            return method, None
        try:
            return method, reading_in(text, method=method, unit=self.peroxide_unit)
        except InputError as fault:
            header = self.headers["peroxide"]
            said.append(error(line, header, fault.code, fault.detail, fault.remedy))
            return method, None

    def _origin(self, cells: MappingOf[str, str], line: int, said: list[Outcome]) -> Origin:
        text = self._text(cells, "origin")
        found = origin_in(text)
        if found is None:
            reason = Phrase("“{text}” is not understood; where it is from counts as not stated.", text=text)
            remedy = Phrase('Write "bought", "distilled here", "made here" or "recovered".')
            said.append(warning(line, self.headers["origin"], "origin-unknown", reason, remedy))
            return "not-stated"
        return found
