"""An imported stock list is taken back: each bottle that nothing has happened to since, by reversal.

The ledger keeps the opening balance and its reversal. The emptied container is discarded, and its code with a
word behind it, so that the same bottle can come in again under its own. What has happened to a bottle since
is said, and that bottle stays.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F, Q, QuerySet

from inventory.models import (
    Container,
    Event,
    ImportedRow,
    Lab,
    Movement,
    Observation,
    PeroxideTest,
    Treatment,
    User,
)
from inventory.rules.errors import Conflict, InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services import disposal, reversal, withdrawals
from inventory.services.events import record
from inventory.services.importing import CODE_LENGTH_MAX

VERBS = {"stock": "stock-imported", "runs": "runs-imported"}
UNDONE = "import-undone"
# Movements by kind, as one says what a bottle was used for.
USED_FOR: dict[str, str] = {
    "receive": Phrase("receive"),
    "draw": Phrase("draw"),
    "charge": Phrase("charge"),
    "return": Phrase("return"),
    "put-back": Phrase("put-back"),
    "pour": Phrase("pour"),
    "blend": Phrase("blend"),
    "count": Phrase("count"),
    "weigh": Phrase("weigh"),
    "discard": Phrase("discard"),
    "reversal": Phrase("reversal"),
    "waste": Phrase("waste"),
    "treat": Phrase("treat"),
    "loss": Phrase("loss"),
}
# In one go, so that nobody waits long for the records; pressing again takes the next ones.
ROWS_AT_ONCE = 50


@dataclass(frozen=True)
class Kept:
    """Something that stays, and why. ref: a container's code or a run's id."""

    line: int
    ref: str
    why: str


@dataclass(frozen=True)
class Undone:
    """done: how many rows were taken back. kept: which were not. left: how many were not tried yet."""

    done: int
    kept: tuple[Kept, ...]
    left: int = 0


def kind_of(event: Event) -> str:
    """Of which kind an import was. Raises InputError for an event that tells of none."""
    for kind, verb in VERBS.items():
        if event.verb == verb:
            return kind
    raise InputError(
        "import", "no-import", Phrase("This entry tells of no import."), Phrase("Choose one from the list.")
    )


def rows_of(event: Event) -> QuerySet[ImportedRow]:
    """The rows that one import brought in."""
    found = ImportedRow.objects.filter(lab_id=event.lab_id, kind=kind_of(event), recorded_at=event.at)
    return found.filter(file_sha256=event.data.get("file_sha256", "")).order_by("-line", "-pk")


def undo_stock(
    *, lab: Lab, actor: User, now: datetime, event: Event, reason: str, may_loosen: bool = False
) -> Undone:
    """Take back what a stock list brought in. Raises InputError without a reason."""
    words = checked_reason(reason, what=Phrase("Taking an import back needs a reason."))
    rows = list(rows_of(event))
    standing = {c.pk: c for c in Container.objects.filter(pk__in=_ids(rows), discarded_at=None)}
    open_rows = [row for row in rows if row.subject_id in standing]
    done, kept = 0, []
    with transaction.atomic():
        for row in open_rows[:ROWS_AT_ONCE]:
            container = standing[row.subject_id]
            try:
                with transaction.atomic():
                    _bottle_back(row, container, lab, actor, now, words, may_loosen)
            except InputError as fault:
                kept.append(Kept(row.line, container.code, said(fault)))
            else:
                done += 1
        note_undone(lab, actor, now, event, words, done, len(kept))
    return Undone(done, tuple(kept), max(0, len(open_rows) - ROWS_AT_ONCE))


def said(fault: InputError) -> str:
    return Phrase.joined((fault.detail, fault.remedy))


def note_undone(
    lab: Lab, actor: User, now: datetime, event: Event, reason: str, done: int, kept: int
) -> None:
    """The audit trail of what was taken back."""
    if done:
        data = {"import": event.pk, "reason": reason, "rows": done, "kept": kept}
        record(lab=lab, actor=actor, now=now, verb=UNDONE, subject=lab, data=data)


def _ids(rows: Iterable[ImportedRow]) -> list[int]:
    return [row.subject_id for row in rows]


def _bottle_back(
    row: ImportedRow,
    container: Container,
    lab: Lab,
    actor: User,
    now: datetime,
    reason: str,
    may_loosen: bool,
) -> None:
    by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
    signing: dict[str, Any] = {"reason": reason, "may_loosen": may_loosen}
    Container.objects.select_for_update(of=("self",)).get(pk=container.pk)
    against = obstacles(row.recorded_at, [container]).get(container.pk)
    if against is not None:
        raise Conflict("import", "used-since", against)
    for test in PeroxideTest.objects.filter(container=container, withdraws=None, withdrawn_by=None):
        withdrawals.test_withdraw(**by, **signing, test=test)
    for sign in Observation.objects.filter(container=container, withdraws=None, withdrawn_by=None):
        withdrawals.sign_withdraw(**by, **signing, sign=sign)
    opening = _standing(container.place_id).first()
    if opening is not None:
        reversal.reverse(**by, **signing, entry=opening.entry)
    disposal.discard(**by, container=container, note=f"import undone: {reason}")
    _free_code(container, **by)


def _free_code(container: Container, *, lab: Lab, actor: User, now: datetime) -> None:
    """The code is free again for the bottle that carries it."""
    tail = f"-undone-{container.pk}"
    code = f"{container.code[: CODE_LENGTH_MAX - len(tail)]}{tail}"
    Container.objects.filter(pk=container.pk).update(code=code, version=F("version") + 1)
    record(
        lab=lab, actor=actor, now=now, verb="code-freed", subject=container, data={"before": container.code}
    )


def _standing(*places: int) -> QuerySet[Movement]:
    """Movements of places that neither are reversals nor were reversed, oldest first."""
    ends = Q(source_id__in=places) | Q(destination_id__in=places)
    return Movement.objects.filter(ends, reversal_of=None, reversed_by=None).order_by("pk")


def obstacles(at: datetime, containers: Sequence[Container]) -> dict[int, str]:
    """Container id → what was recorded of it beside its row of the list, which came in at that moment.

    Those that nothing speaks against are left out.
    """
    ids, by_place = [c.pk for c in containers], {c.place_id: c.pk for c in containers}
    found: dict[int, str] = {
        c.pk: Phrase("It was barred from use. Release it first.")
        for c in containers
        if c.quarantined_at is not None
    }
    for model, words in (
        (Treatment, Phrase("Treated")),
        (Observation, Phrase("A sign seen")),
        (PeroxideTest, Phrase("Tested")),
    ):
        rows: QuerySet[Any] = model._default_manager.filter(
            container_id__in=ids, withdraws=None, withdrawn_by=None
        )
        later = rows.exclude(recorded_at=at).order_by("pk").values_list("container_id", "recorded_at")
        found |= {
            pk: Phrase(
                "{words} on {when:%Y-%m-%d}. Withdraw that first, if it is wrong.", words=words, when=when
            )
            for pk, when in later
        }
    moved = _standing(*by_place).exclude(recorded_at=at, kind="receive")
    for source, destination, kind, when in moved.values_list(
        "source_id", "destination_id", "kind", "happened_at"
    ):
        for pk in {by_place[place] for place in (source, destination) if place in by_place}:
            found[pk] = Phrase(
                "Used since: {kind} on {when:%Y-%m-%d}. Reverse that first.",
                kind=USED_FOR.get(kind, kind),
                when=when,
            )
    return found


def with_signs(containers: Sequence[Container]) -> set[int]:
    """Ids of those on which a sign stands: only a supervisor takes them back."""
    signs = Observation.objects.filter(container__in=containers, withdraws=None, withdrawn_by=None)
    return set(signs.values_list("container_id", flat=True))
