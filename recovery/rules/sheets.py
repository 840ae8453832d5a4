"""A club's run log to planned run rows: what went out of which bottle, what came back, what remarks tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from hashlib import sha256

from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity
from inventory.rules.sheets.cells import solvent_and_inhibitor
from inventory.rules.sheets.folding import plain, squeezed
from inventory.rules.sheets.mapping import Mapping as SheetMapping
from inventory.rules.sheets.outcomes import Outcome, bad_lines, error, warning
from inventory.rules.sheets.planning import (
    Amount,
    Column,
    Resolve,
    amount_reader,
    date_reader,
    file_outcomes,
    row_fingerprint,
    solvent_reader,
    stops_all,
)
from inventory.rules.sheets.reading import SheetRow, Table
from inventory.rules.sheets.remarks import Finding, findings_in
from inventory.rules.sheets.stock import StockRow
from recovery.rules.sheet_amounts import TOLD, weighed_up

_SAME = frozenset(
    ("same", "same bottle", "the same", "dito", "ditto", "dieselbe", "gleiche", "gleiche flasche", "zuruck")
)
_NO_AMOUNT = frozenset(("", "-", "--", "–", "—", "?"))


@dataclass(frozen=True, slots=True)
class BottleFacts:
    """What the stock list says of a bottle, where known; used only to notice that the run log disagrees."""

    received_on: date | None = None
    opened_on: date | None = None
    unopened: bool = False
    inhibited: bool | None = None


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run as the log tells it.

    code: as in known_codes. out > 0, back as entered; back None with back_blank: nothing recorded as coming
    back. back_into: "same", the words of the log, or None. heel: volume left in the flask. fingerprint:
    sha256 that a second import meets again; equal rows of one file differ in their occurrence number.
    """

    line: int
    on: date
    operator: str
    purpose: str
    solvent_key: str
    code: str
    out: Quantity
    back: Quantity | None
    back_blank: bool
    back_into: str | None
    remarks: str
    findings: tuple[Finding, ...]
    heel: Quantity | None
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Total:
    """Sums over runs of one solvent, in mL as read. weighed: runs that have a mass, not in the sums."""

    runs: int = 0
    out_ml: Decimal = Decimal(0)
    back_ml: Decimal = Decimal(0)
    weighed: int = 0


@dataclass(frozen=True, slots=True)
class RunPlan:
    """rows: good and new. repeated: good and imported before. first_drawn: earliest draw of each bottle over
    all good rows, the latest day on which it can have been opened. outcomes: by line.
    """

    rows: tuple[RunRow, ...]
    repeated: tuple[RunRow, ...]
    first_drawn: Mapping[str, date]
    outcomes: tuple[Outcome, ...]

    @property
    def bad_lines(self) -> frozenset[int]:
        """Lines that cannot be imported as they stand."""
        return bad_lines(self.outcomes)

    @property
    def blocked(self) -> bool:
        """True while a question about the whole file is open."""
        return any(o.line == 0 and o.level == "error" for o in self.outcomes)


def facts_of(rows: Iterable[StockRow]) -> dict[str, BottleFacts]:
    """The facts to compare a run log with, from planned stock rows."""
    inhibited = {"yes": True, "no": False, "not-stated": None}
    return {
        row.code: BottleFacts(
            row.received_on,
            row.opened.opened_on,
            row.opened.state == "unopened",
            inhibited[row.inhibitor.state],
        )
        for row in rows
    }


def totals_by_solvent(rows: Iterable[RunRow]) -> dict[str, Total]:
    """Runs, out and back per solvent. A blank Back counts as 0."""
    totals: dict[str, Total] = {}
    for row in rows:
        old = totals.get(row.solvent_key, Total())
        amounts = [q for q in (row.out, row.back) if q is not None]
        if any(q.dimension != "volume" for q in amounts):
            totals[row.solvent_key] = Total(old.runs + 1, old.out_ml, old.back_ml, old.weighed + 1)
            continue
        back = row.back.to("mL") if row.back is not None else Decimal(0)
        totals[row.solvent_key] = Total(
            old.runs + 1, old.out_ml + row.out.to("mL"), old.back_ml + back, old.weighed
        )
    return totals


def plan_runs(
    table: Table,
    mapping: SheetMapping,
    *,
    today: date,
    known_codes: Mapping[str, str],
    resolve: Resolve,
    facts: Mapping[str, BottleFacts] | None = None,
    imported: Set[str] = frozenset(),
) -> RunPlan:
    """Plan a run log; touches nothing.

    known_codes: code of each bottle to its solvent key; when empty, that is a question and bottles are
    not checked.
    facts: what the stock says of each bottle. imported: fingerprints of rows imported before.
    Raises InputError for a mapping of the other target; everything about rows is an outcome.
    """
    said = file_outcomes(table, mapping)
    if not known_codes:
        said.append(_stock_missing(mapping))
    if stops_all(mapping, "runs"):
        return RunPlan((), (), {}, tuple(said))
    planner = _Planner(mapping, today, known_codes, resolve, facts or {}, bad_lines(said))
    rows: list[RunRow] = []
    repeated: list[RunRow] = []
    for sheet_row in table.rows:
        noted: list[Outcome] = []
        row = planner.row(sheet_row, noted)
        said += noted
        if row is not None and row.fingerprint in imported:
            said.append(
                Outcome(row.line, "", "info", "row-repeated", Phrase("This run was imported before."))
            )
            repeated.append(row)
        elif row is not None:
            rows.append(row)
    ordered = tuple(sorted(said, key=lambda o: o.line))
    return RunPlan(tuple(rows), tuple(repeated), planner.first_drawn, ordered)


def _stock_missing(mapping: SheetMapping) -> Outcome:
    reason = Phrase("No bottle is known yet, so the bottles in this log cannot be checked.")
    remedy = Phrase("Import the stock list first.")
    return Outcome(0, mapping.columns.get("code", ""), "error", "stock-missing", reason, remedy)


class _Planner:
    def __init__(
        self,
        mapping: SheetMapping,
        today: date,
        known_codes: Mapping[str, str],
        resolve: Resolve,
        facts: Mapping[str, BottleFacts],
        spoilt: frozenset[int],
    ) -> None:
        self.known = {squeezed(code): (code, key) for code, key in known_codes.items()}
        self.facts = {squeezed(code): one for code, one in facts.items()}
        self.headers = {key: mapping.columns[key] for key in sorted(mapping.columns)}
        self.occurrences: Counter[str] = Counter()
        self.first_drawn: dict[str, date] = {}
        self.spoilt = spoilt
        name, unit = self.headers.get, mapping.units.get
        self.on = Column(name("on", ""), date_reader("on", mapping.rules_for("on"), today))
        self.solvent = Column(name("solvent", ""), solvent_reader(resolve))
        self.out = Column(name("out", ""), amount_reader("out", unit("out"), allow_zero=False))
        self.back = Column(name("back", ""), amount_reader("back", unit("back"), allow_zero=True))
        self.heel = Column(name("remarks", ""), amount_reader("remarks", None, allow_zero=True))

    def row(self, sheet_row: SheetRow, said: list[Outcome]) -> RunRow | None:
        """The planned row, or None when the outcomes hold an error for it."""
        cells, line = sheet_row.cells, sheet_row.line
        code, bottle_key = self._bottle(cells, line, said)
        on = self.on.get(line, self._text(cells, "on"), said)
        solvent_key = self._solvent(cells, line, code, bottle_key, said)
        out = self.out.get(line, cells[self.out.header], said)
        back_text = self._text(cells, "back")
        back_blank = back_text in _NO_AMOUNT
        back = None if back_blank else self.back.get(line, back_text, said)
        fingerprint = self._fingerprint(code, cells)
        if on is None or solvent_key is None or out is None or line in self.spoilt:
            return None
        if any(o.level == "error" for o in said):
            return None
        remarks = self._text(cells, "remarks")
        findings, heel = self._findings(remarks, out, back, line, said)
        self._disagreements(code, on, cells, line, said)
        return RunRow(
            line=line,
            on=on,
            operator=self._text(cells, "operator"),
            purpose=self._text(cells, "purpose"),
            solvent_key=solvent_key,
            code=code,
            out=out.quantity,
            back=back.quantity if back else None,
            back_blank=back_blank,
            back_into=self._back_into(cells, back, back_blank, line, said),
            remarks=remarks,
            findings=findings,
            heel=heel,
            fingerprint=fingerprint,
        )

    def _text(self, cells: Mapping[str, str], key: str) -> str:
        header = self.headers.get(key)
        return cells[header].strip() if header is not None else ""

    def _bottle(self, cells: Mapping[str, str], line: int, said: list[Outcome]) -> tuple[str, str | None]:
        """(code as known, solvent key of that bottle)."""
        code, header = " ".join(self._text(cells, "code").split()), self.headers["code"]
        if not code:
            said.append(
                error(
                    line,
                    header,
                    "code-missing",
                    Phrase("The row names no bottle."),
                    Phrase("Name the bottle."),
                )
            )
        elif self.known:
            found = self.known.get(squeezed(code))
            if found:
                return found
            reason = Phrase("No bottle {code} is known.", code=code)
            said.append(
                error(
                    line, header, "bottle-unknown", reason, Phrase("Add it to the stock list, or correct it.")
                )
            )
        return code, None

    def _solvent(
        self, cells: Mapping[str, str], line: int, code: str, bottle_key: str | None, said: list[Outcome]
    ) -> str | None:
        name, _ = solvent_and_inhibitor(self._text(cells, "solvent"))
        if not name and bottle_key:
            if "solvent" in self.headers:
                reason = Phrase(
                    "No solvent is named; {code} holds {bottle_key}, so that is taken.",
                    code=code,
                    bottle_key=bottle_key,
                )
                said.append(warning(line, self.headers["solvent"], "solvent-from-bottle", reason))
            return bottle_key
        key = self.solvent.get(line, name, said)
        if key and bottle_key and key != bottle_key:
            reason = Phrase(
                "The row says {name} ({key}), but {code} holds {bottle_key}.",
                name=name,
                key=key,
                code=code,
                bottle_key=bottle_key,
            )
            remedy = Phrase("Correct the solvent or the bottle.")
            said.append(error(line, self.headers["solvent"], "solvent-mismatch", reason, remedy))
        return key

    def _fingerprint(self, code: str, cells: Mapping[str, str]) -> str:
        base = row_fingerprint("runs", code, self.headers, cells)
        self.occurrences[base] += 1
        return sha256(f"{base}#{self.occurrences[base]}".encode()).hexdigest()

    def _findings(
        self, remarks: str, out: Amount, back: Amount | None, line: int, said: list[Outcome]
    ) -> tuple[tuple[Finding, ...], Quantity | None]:
        findings = findings_in(remarks)
        heel: Amount | None = None
        for one in findings:
            if one.amount:
                heel = self._heel(one.amount, line, said)
        if out.ml is None or (back is not None and back.ml is None):
            return findings, heel.quantity if heel else None
        came = back.ml if back and back.ml is not None else Decimal(0)
        findings = weighed_up(findings, out.ml, came, heel.ml if heel and heel.ml else Decimal(0))
        for one in findings:
            if one.code in TOLD:
                reason = TOLD[one.code](out, back)
                said.append(
                    warning(line, self.back.header, one.code, reason, Phrase("Check the two amounts."))
                )
        return findings, heel.quantity if heel else None

    def _heel(self, text: str, line: int, said: list[Outcome]) -> Amount | None:
        """The volume in a remark; one that cannot be read is told, and the row stays good."""
        unread: list[Outcome] = []
        found = self.heel.get(line, text, unread)
        said += [warning(line, o.column, "heel-unreadable", o.reason, o.remedy) for o in unread]
        return found

    def _back_into(
        self, cells: Mapping[str, str], back: Amount | None, back_blank: bool, line: int, said: list[Outcome]
    ) -> str | None:
        text = self._text(cells, "back_into")
        if back_blank:
            reason = Phrase("Nothing is recorded as coming back: it counts as 0.")
            said.append(
                warning(line, self.back.header, "back-blank", reason, Phrase("Fill in what came back, or 0."))
            )
        elif back and back.quantity.value > 0 and not text:
            reason = Phrase("{text} came back, but into what is not said.", text=back.quantity.text)
            header = self.headers.get("back_into", self.back.header)
            said.append(
                warning(line, header, "back-into-missing", reason, Phrase("Name the bottle it went into."))
            )
        if not text:
            return None
        return "same" if plain(text) in _SAME else text

    def _disagreements(
        self, code: str, on: date, cells: Mapping[str, str], line: int, said: list[Outcome]
    ) -> None:
        """Where the log knows better than the stock list since when a bottle is open."""
        first = self.first_drawn.get(code)
        self.first_drawn[code] = on if first is None else min(first, on)
        facts = self.facts.get(squeezed(code))
        if facts is None:
            return
        _, said_inhibitor = solvent_and_inhibitor(self._text(cells, "solvent"))
        header = self.headers["code"]
        for test, kind, reason in (
            (
                facts.received_on and on < facts.received_on,
                "drawn-before-received",
                Phrase("received on {day}", day=facts.received_on),
            ),
            (
                facts.opened_on and on < facts.opened_on,
                "drawn-before-opened",
                Phrase("opened on {day}", day=facts.opened_on),
            ),
            (facts.unopened, "drawn-while-sealed", Phrase("unopened")),
        ):
            if test:
                text = Phrase(
                    "{code} was drawn on {on}, but the stock list has it {reason}.",
                    code=code,
                    on=on,
                    reason=reason,
                )
                said.append(
                    warning(line, header, kind, text, Phrase("The earlier day counts as its opening."))
                )
                break
        if said_inhibitor.state == "yes" and facts.inhibited is False:
            text = Phrase(
                "The row calls {code} inhibited, the stock list does not: it stays uninhibited.", code=code
            )
            said.append(
                warning(
                    line, self.headers["solvent"], "inhibitor-differs", text, Phrase("Look at the label.")
                )
            )
