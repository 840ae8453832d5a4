"""A stock list comes in: planned by the rules, checked against the records, written all at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction

from inventory.models import Container, ImportedRow, Lab, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.names import keyed
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.dates import DateOrder
from inventory.rules.sheets.mapping import Mapping as SheetMapping
from inventory.rules.sheets.outcomes import Outcome, error, warning
from inventory.rules.sheets.planning import stops_all
from inventory.rules.sheets.reading import Table
from inventory.rules.sheets.stock import StockPlan, StockRow, plan_stock
from inventory.rules.volume import Measured
from inventory.services.bulk import without_pauses
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from inventory.services.import_report import (
    Amounts,
    GivenMapping,
    ImportReport,
    by_line,
    prepared,
    refused,
    statuses,
)
from inventory.services.import_stock import Count, Draft, write_stock
from inventory.services.places import location_get
from inventory.services.storage_found import exceeded

CODE_LENGTH_MAX = 24
LOCATION_LENGTH_MAX = 120


def import_stock(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    data: bytes,
    filename: str = "",
    mapping: GivenMapping | None = None,
    counted_on: date | None = None,
    test_method: str = "not-stated",
    date_order: DateOrder | str | None = None,
    write: bool = False,
    all_or_none: bool = False,
) -> ImportReport:
    """Plan a stock list and, with `write`, enter its new rows: all the good ones, or none if any is bad.

    mapping: confirmed by a person, as Mapping or its JSON object; None takes the suggested one as confirmed.
    counted_on: day at whose start the amounts were true; None: they are true now. test_method: of peroxide
    tests whose row names none. The same rows again change nothing. A row that cannot be taken in is told in
    the report; InputError only for what concerns the whole file.
    """
    table, sheet = prepared(data, "stock", mapping, date_order=date_order, method=test_method)
    count = Count(now, counted_on or day_in_lab(lab, now), _began(lab, now, counted_on))
    file = _File(sha256(data).hexdigest(), filename[:200], table, sheet)
    with without_pauses():
        work = _drafted(lab, file, count, all_or_none)
        if not write or not work.may_be_written:
            return work.report
        try:
            return _written(lab, actor, file, work, all_or_none)
        except IntegrityError as fault:
            if known_codes(lab) == work.known:
                raise
            detail = Phrase("Somebody entered a bottle of this list at the same moment; nothing was written.")
            raise Conflict("file", "records-changed", detail, Phrase("Import it again.")) from fault


def _written(lab: Lab, actor: User, file: _File, work: _Work, all_or_none: bool) -> ImportReport:
    """Enter what was drafted, or what is drafted anew when the records have changed since."""
    with transaction.atomic():
        held, count = lock_lab(lab), work.count
        if known_codes(held) != work.known:
            work = _drafted(held, file, count, all_or_none)
        if not work.may_be_written:
            return work.report
        write_stock(held, actor, count, work.drafts, file.sha256)
        note_import(held, actor, count.now, "stock-imported", work.report)
        outcomes = (*_limits_exceeded(held, work.drafts), *work.report.outcomes)
    return replace(work.report, written=True, outcomes=outcomes)


def _limits_exceeded(lab: Lab, drafts: Sequence[Draft]) -> list[Outcome]:
    """What stands there is booked; each storage limit that it exceeds, now that it is, is told."""
    names = {draft.row.location for draft in drafts if draft.row.location}
    places = {location_get(lab=lab, name=name).pk for name in names}
    said = exceeded(lab=lab, locations=places) if places else []
    return [warning(0, "", one.code, one.words, Phrase("Find another place for some of it.")) for one in said]


@dataclass(frozen=True)
class _File:
    sha256: str
    name: str
    table: Table
    mapping: SheetMapping


@dataclass(frozen=True)
class _Work:
    """What would be written, on the ground of which known codes."""

    count: Count
    known: Mapping[str, str | None]
    drafts: list[Draft]
    report: ImportReport

    @property
    def may_be_written(self) -> bool:
        return bool(self.drafts) and can_be_written(self.report)


def can_be_written(report: ImportReport) -> bool:
    """Whether no open question and, where all or none was asked for, no bad row stands against it."""
    return not report.blocked and not (report.all_or_none and report.counts["bad"])


def lock_lab(lab: Lab) -> Lab:
    """One import or change of the lab at a time; other work in it goes on. Only inside a transaction.

    Not the full lock: whoever books something names the lab, and at the commit would wait for it.
    """
    Lab.objects.select_for_update(of=("self",), no_key=True).get(pk=lab.pk)
    return Lab.objects.select_related("policy").get(pk=lab.pk)


def note_import(lab: Lab, actor: User, now: datetime, verb: str, report: ImportReport) -> None:
    """The audit trail of an import that brought something new."""
    if report.counts["new"]:
        data = {"filename": report.filename, "file_sha256": report.file_sha256, "rows": report.counts}
        record(lab=lab, actor=actor, now=now, verb=verb, subject=lab, data=data)


def known_codes(lab: Lab) -> dict[str, str | None]:
    """Code of every container to the fingerprint of the row it was imported from, None for another way in."""
    prints = dict(ImportedRow.objects.filter(lab=lab, kind="stock").values_list("subject_id", "fingerprint"))
    codes = Container.objects.filter(lab=lab).order_by("id").values_list("id", "code")
    return {code: prints.get(pk) for pk, code in codes}


def _began(lab: Lab, now: datetime, counted_on: date | None) -> datetime:
    if counted_on is None:
        return now
    return min(now, datetime.combine(counted_on, time.min, ZoneInfo(lab.time_zone)))


def _drafted(lab: Lab, file: _File, count: Count, all_or_none: bool) -> _Work:
    known, amounts = known_codes(lab), Amounts(lab)
    plan = plan_stock(
        file.table,
        file.mapping,
        today=day_in_lab(lab, count.now),
        counted_on=count.on,
        known_codes=known,
        resolve=amounts.resolve,
    )
    said: list[Outcome] = []
    drafts = [d for row in plan.rows if (d := _draft(row, amounts, file.mapping.columns, said))]
    return _Work(count, known, drafts, _report(file, plan, drafts, said, all_or_none))


def _draft(row: StockRow, amounts: Amounts, columns: Mapping[str, str], said: list[Outcome]) -> Draft | None:
    """The row with its volumes, or None after noting why it cannot be entered."""
    before = len(said)
    if len(row.code) > CODE_LENGTH_MAX:
        reason = Phrase(
            "A code has at most {code_length_max} characters, this one {count}.",
            code_length_max=CODE_LENGTH_MAX,
            count=len(row.code),
        )
        said.append(
            error(row.line, columns["code"], "code-too-long", reason, Phrase("Give it a shorter one."))
        )
    if len(row.location) > LOCATION_LENGTH_MAX:
        reason = Phrase(
            "A place has a name of at most {location_length_max} characters.",
            location_length_max=LOCATION_LENGTH_MAX,
        )
        said.append(error(row.line, columns["location"], "place-too-long", reason, Phrase("Shorten it.")))
    sizes = _volumes(row, amounts, columns, said)
    if sizes is None or len(said) > before:
        return None
    return Draft(row, amounts.solvents[row.solvent_key], *sizes)


def _volumes(
    row: StockRow, amounts: Amounts, columns: Mapping[str, str], said: list[Outcome]
) -> tuple[int, Measured] | None:
    """(capacity in µl, what is left), or None after noting why they cannot be."""
    column = "size"
    try:
        capacity_ul = amounts.get(row.solvent_key, row.size, instrument="supplier-label").volume_ul
        column = "left"
        left = _left(row, amounts, capacity_ul)
    except InputError as fault:
        refused(row.line, columns[column], fault, said)
        return None
    if left.volume_ul > capacity_ul:
        reason = Phrase(
            "{text} is more than the {size} that the bottle holds.", text=row.left.text, size=row.size.text
        )
        remedy = Phrase("Correct the size or the amount.")
        said.append(error(row.line, columns["left"], "more-than-fits", reason, remedy))
        return None
    return capacity_ul, left


def _left(row: StockRow, amounts: Amounts, capacity_ul: int) -> Measured:
    """Read off the label while sealed and full, else at a mark; how a mass was found is not stated."""
    if row.opened.state == "unopened":
        label = amounts.get(row.solvent_key, row.left, instrument="supplier-label")
        if label.volume_ul == capacity_ul:
            return label
    mark = "bottle-mark" if row.left.dimension == "volume" else None
    return amounts.get(row.solvent_key, row.left, instrument=mark, capacity_ul=capacity_ul)


def _report(
    file: _File, plan: StockPlan, drafts: list[Draft], said: list[Outcome], all_or_none: bool
) -> ImportReport:
    new = {d.row.line: _title(d.row) for d in drafts}
    known = {row.line: _title(row) for row in plan.repeated}
    read = not stops_all(file.mapping, "stock")
    return ImportReport(
        target="stock",
        filename=file.name,
        file_sha256=file.sha256,
        table=file.table,
        mapping=file.mapping,
        rows=statuses(file.table, file.mapping, new, known, read),
        outcomes=by_line(plan.outcomes, said),
        totals=_totals(drafts),
        blocked=plan.blocked,
        all_or_none=all_or_none,
    )


def _title(row: StockRow) -> Phrase:
    of, told = keyed(row.solvent_key), {"left": row.left.text, "size": row.size.text}
    return Phrase("{code:<8}{solvent:<26}{left} of {size}", code=row.code, solvent=of, **told)


def _totals(drafts: list[Draft]) -> tuple[dict[str, Any], ...]:
    sums: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for draft in drafts:
        part = sums[draft.solvent.key]
        part[0] += 1
        part[1] += draft.left.volume_ul
        part[2] += draft.capacity_ul
    return tuple(
        {"solvent": key, "containers": n, "volume_ul": left, "capacity_ul": room}
        for key, (n, left, room) in sorted(sums.items())
    )
