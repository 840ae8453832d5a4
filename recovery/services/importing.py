"""A run log comes in: what lies before the count is history, what lies after it moves the stock."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from inventory.models import Container, ImportedRow, Lab, Membership, User
from inventory.rules.errors import InputError
from inventory.rules.names import keyed
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.dates import DateOrder
from inventory.rules.sheets.folding import squeezed
from inventory.rules.sheets.mapping import Mapping as SheetMapping
from inventory.rules.sheets.outcomes import Outcome, error
from inventory.rules.sheets.planning import stops_all
from inventory.rules.sheets.reading import Table
from inventory.services.bulk import without_pauses
from inventory.services.containers import day_in_lab, note_drawn, set_opened
from inventory.services.import_report import (
    Amounts,
    GivenMapping,
    ImportReport,
    by_line,
    prepared,
    refused,
    statuses,
)
from inventory.services.importing import can_be_written, lock_lab, note_import
from recovery.models import Run
from recovery.rules.sheets import BottleFacts, RunPlan, RunRow, plan_runs
from recovery.services import loss_signals
from recovery.services.import_runs import Bottle, Draft, Log, book_live, write_history

NOT_STATED = "not stated"
PURPOSE_LENGTH_MAX = 120


def import_runs(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    data: bytes,
    filename: str = "",
    mapping: GivenMapping | None = None,
    date_order: DateOrder | str | None = None,
    write: bool = False,
    all_or_none: bool = False,
) -> ImportReport:
    """Plan a run log and, with `write`, enter its new rows: all the good ones, or none if any is bad.

    A run from before its bottle's counting began is history: it counts in the loss rates, and its solvent
    comes from and returns to "before counting", so that today's balances stay true. A later one draws from
    the real bottle and returns to a real one, oldest first. The same rows again change nothing. A row that
    cannot be taken in is told in the report; InputError only for what concerns the whole file.
    """
    table, sheet = prepared(data, "runs", mapping, date_order=date_order, method="not-stated")
    file = _File(sha256(data).hexdigest(), filename[:200], table, sheet)
    with without_pauses():
        work = _drafted(lab, file, now, all_or_none)
        if not work.drafts or not can_be_written(work.report):
            return work.report
        if not write and all(d.is_history for d in work.drafts):
            return work.report
        return _carried_out(lab, actor, now, file, work, write=write)


@dataclass(frozen=True)
class _File:
    sha256: str
    name: str
    table: Table
    mapping: SheetMapping


@dataclass(frozen=True)
class _State:
    """What of the records a plan rests on."""

    bottles: Mapping[str, Bottle]
    facts: Mapping[str, BottleFacts]
    imported: frozenset[str]


@dataclass(frozen=True)
class _Work:
    state: _State
    plan: RunPlan
    drafts: list[Draft]
    report: ImportReport


def _carried_out(
    lab: Lab, actor: User, now: datetime, file: _File, work: _Work, *, write: bool
) -> ImportReport:
    """Enter the runs, or try it and take it back: only booking shows whether a bottle holds enough."""
    all_or_none = work.report.all_or_none
    with transaction.atomic():
        held = lock_lab(lab)
        if state_of(held) != work.state:
            work = _drafted(held, file, now, all_or_none)
        log = Log(held, actor, now, file.sha256, file.mapping)
        said: list[Outcome] = []
        if can_be_written(work.report):
            said = _entered(log, work, write=write)
        report = _report(file, work.plan, work.drafts, said, work.report) if said else work.report
        if not write or not can_be_written(report):
            transaction.set_rollback(True)
            return report
        note_import(held, actor, now, "runs-imported", report)
        loss_signals.refresh_lab(lab=held, now=now)
    return replace(report, written=True)


def _entered(log: Log, work: _Work, *, write: bool) -> list[Outcome]:
    history = [d for d in work.drafts if d.is_history]
    live = [d for d in work.drafts if not d.is_history]
    _open_earlier(log, history)
    if write:
        write_history(log, history)
    return book_live(log, work.state.bottles, live)


def _open_earlier(log: Log, drafts: Sequence[Draft]) -> None:
    """A bottle that was drawn from was open by then: an opening said to be later, or none, gives way."""
    first: dict[int, date] = {}
    for draft in drafts:
        pk = draft.bottle.container_id
        first[pk] = min(first.get(pk, draft.row.on), draft.row.on)
    for held in Container.objects.select_related("lab__policy").filter(pk__in=first).order_by("place_id"):
        unknown = held.opened == Container.Opened.OPENED and held.opened_on is None
        if unknown or (held.opened_on and held.opened_on <= first[held.pk]):
            continue
        if held.opened == Container.Opened.UNKNOWN:
            set_opened(held, actor=log.actor, now=log.now, opened_on=None)
        else:
            note_drawn(held, actor=log.actor, now=log.now, day=first[held.pk])


def state_of(lab: Lab) -> _State:
    """The bottles of the lab and the rows imported before."""
    rows = Container.objects.filter(lab=lab).order_by("id").values_list(
        "id", "code", "counting_began_at", "lot__solvent__key", "received_on", "opened_on", "opened",
        "lot__inhibited",
    )  # fmt: skip
    bottles, facts = {}, {}
    for pk, code, began_at, key, received_on, opened_on, opened, inhibited in rows:
        bottles[code] = Bottle(pk, began_at, key or "")
        facts[code] = BottleFacts(received_on, opened_on, opened == Container.Opened.UNOPENED, inhibited)
    return _State(bottles, facts, frozenset(standing_prints(lab)))


def standing_prints(lab: Lab) -> list[str]:
    """Fingerprints of the rows whose runs have not been taken back since."""
    undone = Run.objects.filter(lab=lab, is_draft=True, closed_at__isnull=False).values("pk")
    rows = ImportedRow.objects.filter(lab=lab, kind="runs").exclude(subject_id__in=undone)
    return list(rows.values_list("fingerprint", flat=True))


def _drafted(lab: Lab, file: _File, now: datetime, all_or_none: bool) -> _Work:
    state, amounts = state_of(lab), Amounts(lab)
    plan = plan_runs(
        file.table,
        file.mapping,
        today=day_in_lab(lab, now),
        known_codes={code: bottle.solvent_key for code, bottle in state.bottles.items()},
        resolve=amounts.resolve,
        facts=state.facts,
        imported=state.imported,
    )
    said: list[Outcome] = []
    drafter = _Drafter(lab, now, state, amounts, file.mapping.columns)
    drafts = [d for row in plan.rows if (d := drafter.draft(row, said))]
    blank = ImportReport(
        target="runs",
        filename=file.name,
        file_sha256=file.sha256,
        table=file.table,
        mapping=file.mapping,
        rows=(),
        outcomes=by_line(plan.outcomes, said),
        totals=(),
        blocked=plan.blocked,
        all_or_none=all_or_none,
    )
    return _Work(state, plan, drafts, _report(file, plan, drafts, [], blank))


def _report(
    file: _File, plan: RunPlan, drafts: Sequence[Draft], said: Sequence[Outcome], before: ImportReport
) -> ImportReport:
    """The report with what booking had to say; a run that could not be booked is bad."""
    refused_lines = {o.line for o in said if o.level == "error"}
    good = [d for d in drafts if d.row.line not in refused_lines]
    new = {d.row.line: _title(d.row) for d in good}
    known = {row.line: _title(row) for row in plan.repeated}
    read = not stops_all(file.mapping, "runs") and not any(o.code == "stock-missing" for o in plan.outcomes)
    rows = statuses(file.table, file.mapping, new, known, read)
    return replace(before, rows=rows, outcomes=by_line(before.outcomes, said), totals=_totals(good))


def _title(row: RunRow) -> Phrase:
    back = Phrase("back blank")
    if row.back:
        back = Phrase("{amount} back", amount=row.back.text)
    told = {"on": row.on, "code": row.code, "out": row.out.text, "back": back}
    return Phrase("{on}  {code:<8}{solvent:<26}{out} out, {back}", solvent=keyed(row.solvent_key), **told)


def _totals(drafts: Sequence[Draft]) -> tuple[dict[str, Any], ...]:
    sums: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    for draft in drafts:
        part = sums[draft.solvent.key]
        part[0] += 1
        part[1] += draft.is_history
        part[2] += draft.out.volume_ul
        part[3] += draft.back.volume_ul if draft.back else 0
    return tuple(
        {
            "solvent": key,
            "runs": runs,
            "history": history,
            "charged_ul": out,
            "returned_ul": back,
            "lost_ul": out - back,
        }
        for key, (runs, history, out, back) in sorted(sums.items())
    )


class _Drafter:
    """Turns planned rows into runs that can be booked."""

    def __init__(
        self, lab: Lab, now: datetime, state: _State, amounts: Amounts, columns: Mapping[str, str]
    ) -> None:
        self.now, self.state, self.amounts, self.columns = now, state, amounts, columns
        self.zone = ZoneInfo(lab.time_zone)
        self.people = people_of(lab)
        self.noons: dict[date, datetime] = {}

    def draft(self, row: RunRow, said: list[Outcome]) -> Draft | None:
        """The row with its volumes, time and bottle, or None after noting why it cannot be entered."""
        bottle = self.state.bottles.get(row.code)
        if bottle is None:  # only while no bottle is known at all, which is a question of its own
            return None
        if len(row.purpose) > PURPOSE_LENGTH_MAX:
            reason = Phrase(
                "A purpose has at most {purpose_length_max} characters.",
                purpose_length_max=PURPOSE_LENGTH_MAX,
            )
            said.append(
                error(row.line, self.columns["purpose"], "purpose-too-long", reason, Phrase("Shorten it."))
            )
            return None
        column = "out"
        try:
            out = self.amounts.get(row.solvent_key, row.out)
            column = "back"
            back = self.amounts.get(row.solvent_key, row.back) if row.back else None
            column = "remarks"
            heel = self.amounts.get(row.solvent_key, row.heel) if row.heel else None
        except InputError as fault:
            refused(row.line, self.columns[column], fault, said)
            return None
        came_ul = back.volume_ul if back else 0
        fits = heel is not None and 0 < heel.volume_ul <= out.volume_ul - came_ul
        started_at = self.noon(row.on)
        return Draft(
            row=row,
            solvent=self.amounts.solvents[row.solvent_key],
            bottle=bottle,
            out=out,
            back=back if came_ul else None,
            heel=heel if fits else None,
            started_at=started_at,
            is_history=started_at < bottle.counting_began_at,
            operator_id=self.people.get(squeezed(row.operator)),
            operator_name=row.operator[:80] or NOT_STATED,
            purpose=row.purpose or NOT_STATED,
        )

    def noon(self, day: date) -> datetime:
        """A log has no times of day: noon in the lab's zone, but never later than now."""
        if day not in self.noons:
            self.noons[day] = min(datetime.combine(day, time(12), self.zone), self.now)
        return self.noons[day]


def people_of(lab: Lab) -> dict[str, int]:
    """Initials, sign-in name and full name to the member meant; what two members share is left out."""
    found: dict[str, set[int]] = defaultdict(set)
    for member in Membership.objects.filter(lab=lab).select_related("user"):
        for name in (member.initials, member.user.username, member.user.get_full_name()):
            if name.strip():
                found[squeezed(name)].add(member.user_id)
    return {name: min(ids) for name, ids in found.items() if len(ids) == 1}
