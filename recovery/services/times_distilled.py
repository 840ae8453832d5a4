"""How often solvent may be distilled: a lab's own limit, which warns, or refuses the charge to a still."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from inventory.models import Lab, Lot, User
from inventory.rules.errors import Cause, Refusal
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from recovery.models import QualityLimit, Run
from recovery.selectors.quality import standing, times_limit
from recovery.services.gate import Signature
from recovery.services.heel import set_finding
from recovery.services.heel import standing as standing_moves

FINDING, REFUSED = "distilled-too-often", "distilled-too-often"
ALLOWED = "distilled-too-often-allowed"


@dataclass(frozen=True)
class Often:
    """times: with the distillation that a charge is there for. most: what the lab allows."""

    lot: Lot
    times: int
    most: int


def admit_times(
    *, lab: Lab, actor: User, now: datetime, run: Run, lot: Lot, signature: Signature | None
) -> None:
    """Let a lot into a still, or refuse it because it was distilled as often as the lab allows.

    Once more would be too often. A limit that only warns lets it in; so does a supervisor's signature, which
    leaves an event. Raises Refusal (code distilled-too-often), Denied, InputError.
    """
    limit = times_limit(standing(lab), lot.solvent_id)
    if not run.distils or limit is None or not limit.refuses or not _once_more_is_too_often(lot, limit):
        return
    if signature is None:
        raise _refusal(lot, limit)
    signature.check()
    said = {"lot": lot.pk, "times_distilled": lot.times_distilled, "reason": signature.reason.strip()}
    record(lab=lab, actor=actor, now=now, verb=ALLOWED, subject=run, data=said)


def note_often(run: Run, *, may_be_mended: bool = False) -> None:
    """What was distilled more often than the lab allows, or is about to be, is a finding of its run."""
    if not standing(run.lab).exists() and FINDING not in run.findings:
        return
    set_finding(run, FINDING, bool(too_often(run)), may_be_mended=may_be_mended)


def too_often(run: Run) -> list[Often]:
    """What of a run was distilled more often than the lab allows today, or is about to be, by lot."""
    limits = list(standing(run.lab))
    moves = [move for move in standing_moves(run) if move.kind in ("charge", "return")] if limits else []
    lots = {lot.pk: lot for lot in Lot.objects.filter(pk__in={move.lot_id for move in moves})}
    found: dict[int, Often] = {}
    for move in moves:
        lot = lots[move.lot_id]
        limit = times_limit(limits, lot.solvent_id)
        times = lot.times_distilled + (int(run.distils) if move.kind == "charge" else 0)
        if limit is not None and limit.highest is not None and times > limit.highest:
            found[lot.pk] = Often(lot, times, int(limit.highest))
    return list(found.values())


def _once_more_is_too_often(lot: Lot, limit: QualityLimit) -> bool:
    return limit.highest is not None and lot.times_distilled + 1 > limit.highest


def _refusal(lot: Lot, limit: QualityLimit) -> Refusal:
    most = int(limit.highest or 0)
    words = Phrase(
        "It was distilled {times_distilled} times, and the lab allows {most}. Nothing was booked.",
        times_distilled=lot.times_distilled,
        most=most,
    )
    remedy = Phrase("Use it for rinsing, or send it to waste. A supervisor may let it through with a reason.")
    cause = Cause(REFUSED, words, remedy, limit.source)
    return Refusal("container", REFUSED, words, remedy, [cause])
