"""How often solvent may be distilled: a lab's own limit, which warns, or refuses the charge to a still."""

from __future__ import annotations

from datetime import datetime

from inventory.models import Lab, Lot, User
from inventory.rules.errors import Cause, Refusal
from inventory.services.events import record
from recovery.models import QualityLimit, Run
from recovery.selectors.quality import standing, times_limit
from recovery.services.gate import Signature
from recovery.services.heel import set_finding
from recovery.services.heel import standing as standing_moves

FINDING, REFUSED = "distilled-too-often", "distilled-too-often"
ALLOWED = "distilled-too-often-allowed"


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
    limits = list(standing(run.lab))
    if not limits and FINDING not in run.findings:
        return
    moves = [move for move in standing_moves(run) if move.kind in ("charge", "return")]
    lots = {lot.pk: lot for lot in Lot.objects.filter(pk__in={move.lot_id for move in moves})}
    often = False
    for move in moves:
        lot = lots[move.lot_id]
        limit = times_limit(limits, lot.solvent_id)
        if limit is not None and limit.highest is not None:
            coming = int(run.distils) if move.kind == "charge" else 0
            often = often or lot.times_distilled + coming > limit.highest
    set_finding(run, FINDING, often, may_be_mended=may_be_mended)


def _once_more_is_too_often(lot: Lot, limit: QualityLimit) -> bool:
    return limit.highest is not None and lot.times_distilled + 1 > limit.highest


def _refusal(lot: Lot, limit: QualityLimit) -> Refusal:
    most = int(limit.highest or 0)
    words = f"It was distilled {lot.times_distilled} times, and the lab allows {most}. Nothing was booked."
    remedy = "Use it for rinsing, or send it to waste. A supervisor may let it through with a reason."
    cause = Cause(REFUSED, words, remedy, limit.source)
    return Refusal("container", REFUSED, words, remedy, [cause])
