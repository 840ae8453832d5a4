"""Runs of a log into the records: history in bulk, later runs through the services of every day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from json import dumps
from typing import Any

from django.db import transaction

from inventory.models import Container, ImportedRow, Lab, Lot, Place, PlaceKind, Solvent, User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.folding import squeezed
from inventory.rules.sheets.mapping import Mapping as SheetMapping
from inventory.rules.sheets.outcomes import Outcome
from inventory.rules.volume import Entry, Measured
from inventory.services import bulk, ledger
from inventory.services.import_report import refused
from inventory.services.import_stock import IMPORTED
from inventory.services.import_turns import turns_of
from inventory.services.ledger import End, Line, Posting, month_in_lab
from inventory.services.places import boundary
from recovery.models import Run, RunSum
from recovery.rules.sheets import RunRow
from recovery.services import runs
from recovery.services.heel import unseen_text
from recovery.services.runs import MORE_BACK, Loss

HISTORY_NOTE = "solvent used before counting began"
RUN = ["id", "lab_id", "place_id", "purpose", "operator_name", "operator_id", "started_at", "month"]
RUN += ["closed_at", "is_history", "remarks", "findings", "version", "actor_id", "created_at"]
SUM = ["run_id", "solvent_id", "charged_ul", "returned_ul", "lost_ul", "held_ul"]
# Which cell of the row a refusal of the services is about.
CELLS = {"container": "code", "into": "back_into", "volume": "out"}


@dataclass(frozen=True, slots=True)
class Bottle:
    container_id: int
    counting_began_at: datetime
    solvent_key: str


@dataclass(frozen=True, slots=True)
class Draft:
    """A run that can be booked. back None: nothing came back; heel None: none, or it does not fit."""

    row: RunRow
    solvent: Solvent
    bottle: Bottle
    out: Measured
    back: Measured | None
    heel: Measured | None
    started_at: datetime
    is_history: bool
    operator_id: int | None
    operator_name: str
    purpose: str

    @property
    def back_ul(self) -> int:
        return self.back.volume_ul if self.back else 0

    @property
    def findings(self) -> list[str]:
        codes = [finding.code for finding in self.row.findings]
        more = self.back_ul > self.out.volume_ul and MORE_BACK not in codes
        return [*codes, MORE_BACK] if more else codes


@dataclass(frozen=True)
class Log:
    """One file being entered, with the lab locked."""

    lab: Lab
    actor: User
    now: datetime
    file_sha256: str
    mapping: SheetMapping


def write_history(log: Log, drafts: Sequence[Draft]) -> None:
    """Enter closed runs whose solvent came from before counting began and went back there."""
    lots = {
        key: _history_lot(log, solvent) for key, solvent in {d.solvent.key: d.solvent for d in drafts}.items()
    }
    kinds = (PlaceKind.BEFORE_COUNTING, PlaceKind.STILL_RESIDUE, PlaceKind.UNACCOUNTED)
    before, residue, unaccounted = (boundary(log.lab, kind) for kind in kinds)
    chunks = _History(log, lots, before, residue, unaccounted)
    for start in range(0, len(drafts), bulk.CHUNK):
        chunks.write(drafts[start : start + bulk.CHUNK])


def _history_lot(log: Log, solvent: Solvent) -> int:
    """The one lot that stands for all of a solvent that was used before the count."""
    held = Lot.objects.filter(
        lab=log.lab, solvent=solvent, origin=Lot.Origin.NOT_KNOWN, note=HISTORY_NOTE
    ).first()
    return (
        held
        or Lot.objects.create(
            lab=log.lab,
            solvent=solvent,
            origin=Lot.Origin.NOT_KNOWN,
            note=HISTORY_NOTE,
            created_at=log.now,
        )
    ).pk


@dataclass(frozen=True)
class _History:
    log: Log
    lots: Mapping[str, int]
    before: End
    residue: End
    unaccounted: End

    def write(self, drafts: Sequence[Draft]) -> None:
        log, now = self.log, bulk.stored(self.log.now)
        places, ids = bulk.take_ids(Place, len(drafts)), bulk.take_ids(Run, len(drafts))
        each = list(zip(drafts, places, ids, strict=True))
        bulk.insert(Place, ["id", "lab_id", "kind"], ((p, log.lab.pk, PlaceKind.RUN.value) for p in places))
        moments = {
            d.started_at: (bulk.stored(d.started_at), month_in_lab(log.lab, d.started_at)) for d in drafts
        }
        bulk.insert(Run, RUN, [self.run(d, place, pk, *moments[d.started_at], now) for d, place, pk in each])
        postings = [Posting(d.started_at, self.lines(d, End(p, PlaceKind.RUN.value))) for d, p, _ in each]
        ledger.post_many(lab=log.lab, actor=log.actor, now=log.now, postings=postings)
        bulk.insert(RunSum, SUM, [_sums(d, pk) for d, _, pk in each])
        turns = turns_of(log.lab, "runs", (d.row.fingerprint for d in drafts))
        bulk.insert(ImportedRow, IMPORTED, [self.imported(d, pk, now, turns) for d, _, pk in each])

    def run(
        self, draft: Draft, place_id: int, run_id: int, started_at: Any, month: Any, now: Any
    ) -> tuple[Any, ...]:
        return (
            run_id, self.log.lab.pk, place_id, draft.purpose, draft.operator_name, draft.operator_id,
            started_at, month, started_at, True, draft.row.remarks, _json(tuple(draft.findings)), 1,
            self.log.actor.pk, now,
        )  # fmt: skip

    def lines(self, draft: Draft, here: End) -> list[Line]:
        """Out, back, and what is missing: what was left in the flask by its name, the rest without one."""
        lot_id, solvent_id = self.lots[draft.solvent.key], draft.solvent.pk
        out, back, heel = draft.out, draft.back, draft.heel
        lines = [
            Line(
                "charge",
                lot_id,
                solvent_id,
                self.before,
                here,
                out.volume_ul,
                out.u_volume_ul,
                out.as_entered,
            )
        ]
        if back:
            into = draft.row.back_into or ""
            amounts = (back.volume_ul, back.u_volume_ul, back.as_entered)
            lines.append(Line("return", lot_id, solvent_id, here, self.before, *amounts, note=into))
        if heel:
            amounts = (heel.volume_ul, heel.u_volume_ul, heel.as_entered)
            lines.append(Line("loss", lot_id, solvent_id, here, self.residue, *amounts))
        rest_ul = out.volume_ul - draft.back_ul - (heel.volume_ul if heel else 0)
        ends = (here, self.unaccounted) if rest_ul > 0 else (self.unaccounted, here)
        if rest_ul:
            lines.append(Line("loss", lot_id, solvent_id, *ends, abs(rest_ul), as_entered=_NOTHING))
        return lines

    def imported(self, draft: Draft, run_id: int, now: Any, turns: Mapping[str, int]) -> tuple[Any, ...]:
        row, log = draft.row, self.log
        return (
            log.lab.pk, "runs", row.fingerprint, log.file_sha256, row.line, "run", run_id,
            log.actor.pk, now, turns.get(row.fingerprint, 0),
        )  # fmt: skip


_NOTHING: Mapping[str, Any] = {}


@lru_cache(maxsize=4096)
def _json(words: tuple[str, ...]) -> str:
    return dumps(words)


def _sums(draft: Draft, run_id: int) -> tuple[int, ...]:
    out_ul = draft.out.volume_ul
    return (run_id, draft.solvent.pk, out_ul, draft.back_ul, out_ul - draft.back_ul, 0)


def book_live(log: Log, bottles: Mapping[str, Bottle], drafts: Sequence[Draft]) -> list[Outcome]:
    """Book runs on the real bottles, oldest first; each one wholly or, with its reason, not at all."""
    said: list[Outcome] = []
    targets = {squeezed(code): bottle.container_id for code, bottle in bottles.items()}
    for draft in sorted(drafts, key=lambda d: (d.row.on, d.row.line)):
        try:
            with transaction.atomic():
                _book(log, targets, draft)
        except InputError as fault:
            cell = CELLS.get(fault.field, fault.field)
            refused(draft.row.line, log.mapping.columns.get(cell, ""), fault, said)
    return said


def _book(log: Log, targets: Mapping[str, int], draft: Draft) -> None:
    row, when = draft.row, draft.started_at
    common: dict[str, Any] = {"lab": log.lab, "actor": log.actor, "now": log.now}
    into_id = _into(targets, draft) if draft.back else None
    run = runs.run_start(
        **common,
        purpose=draft.purpose,
        operator_name=draft.operator_name,
        operator=None if draft.operator_id is None else User.objects.get(pk=draft.operator_id),
        started_at=when,
        remarks=row.remarks,
        findings=draft.findings,
    )
    if unseen := unseen_text(draft.findings):
        Run.objects.filter(pk=run.pk).update(unseen_findings=unseen)
    bottle = _container(draft.bottle.container_id)
    amount = Entry(row.out)
    runs.charge(**common, run=run, container=bottle, amount=amount, happened_at=when, as_history=True)
    if row.back and into_id is not None:
        try:
            into = _container(into_id)
            runs.give_back(**common, run=run, container=into, amount=Entry(row.back), happened_at=when)
        except InputError as fault:
            # The services cannot know that here "volume" is what came back.
            raise InputError("back", fault.code, fault.detail, fault.remedy) from fault
    losses = [Loss(PlaceKind.STILL_RESIDUE.value, Entry(row.heel))] if row.heel and draft.heel else []
    runs.run_close(**common, run=run, losses=losses, happened_at=when)
    ImportedRow.objects.create(
        lab=log.lab,
        kind="runs",
        fingerprint=row.fingerprint,
        file_sha256=log.file_sha256,
        line=row.line,
        subject_kind="run",
        subject_id=run.pk,
        actor=log.actor,
        recorded_at=log.now,
        turn=turns_of(log.lab, "runs", [row.fingerprint]).get(row.fingerprint, 0),
    )


def _container(pk: int) -> Container:
    return Container.objects.select_related("lab", "lot__solvent").get(pk=pk)


def _into(targets: Mapping[str, int], draft: Draft) -> int:
    """The bottle that what came back went into. Raises InputError when none is named or known."""
    text = draft.row.back_into
    if text == "same":
        return draft.bottle.container_id
    if text is None:
        raise InputError(
            "back_into",
            "back-into-missing",
            Phrase("Something came back after the count, but into what is not said."),
            Phrase("Name the bottle it went into."),
        )
    found = targets.get(squeezed(text))
    if found is None:
        raise InputError(
            "back_into",
            "back-into-unknown",
            Phrase("No bottle “{text}” is known, and this run lies after the count.", text=text),
            Phrase("Enter that bottle first, or name the one it went into."),
        )
    return found
