"""What was done to what is in a container: inhibitor added, peroxides taken out.

Neither helps by itself. Inhibitor counts from a test that passes on that day or later; peroxides that were
taken out are gone only when a test says so, and inhibitor may have gone with them.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import Value
from django.db.models.functions import Coalesce

from inventory.models import Container, Lab, Lot, LotParent, Movement, Treatment, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.inhibitor import (
    COUNTS_AFTER_A_TEST,
    CURES_NOTHING,
    MOST_PPM,
    PPM_STEP,
    dose_ug,
    reached_ppm,
)
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict
from inventory.services import ledger, safety
from inventory.services.containers import day_in_lab, note_drawn, set_opened
from inventory.services.events import record
from inventory.services.loosening import signed
from inventory.services.pouring import plan_own_lot
from inventory.services.readings import blends_of
from inventory.services.timing import changes_since
from inventory.services.treating_against import against_treating, note_treated, refuse_untouchable
from inventory.services.volumes import held_lot

ADDED, REMOVED = Treatment.Kind.INHIBITOR_ADDED.value, Treatment.Kind.PEROXIDES_REMOVED.value
MASS_MOST_UG = 10**12  # a tonne: far above any bottle, far below 64 bits
LEAST_PPM = Decimal(50)  # BHT is usual at 50 to 300 ppm: common practice, no source
PPM_MOST = Decimal(999_999)
TEST_AFTERWARDS = Phrase(
    "Peroxides count as taken out only when a test made afterwards passes; inhibitor may be gone too."
)
BAD_READING = Phrase(
    "The last test does not pass: treat nothing that its level forbids to touch, ask your supervisor."
)


def inhibitor_add(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    inhibitor: str,
    mass_ug: int,
    target_ppm: Decimal | None = None,
    treated_on: date | None = None,
    how: str = "",
    may_loosen: bool = False,
    reason: str = "",
    already_done: bool = False,
) -> Treatment:
    """Log that `mass_ug` of an inhibitor was put into a container. Its content then is a lot topped up.

    When some of its lot is or was anywhere else, the content becomes a lot of its own and nothing else is
    touched. Told of an earlier day, it may make the next test later, which needs `may_loosen` and a reason.
    already_done: today, although the verdict says not to touch it. Raises InputError, Conflict (a Refusal
    where it is not to be touched), Denied.
    """
    name = " ".join(inhibitor.split())
    if not name or len(name) > 60:
        raise InputError(
            "inhibitor",
            "bad-name",
            Phrase("The inhibitor needs a name of at most 60 characters."),
            Phrase("BHT?"),
        )
    if not 0 < mass_ug <= MASS_MOST_UG:
        raise InputError(
            "mass", "out-of-range", Phrase("Say how much was added."), Phrase("Check number and unit.")
        )
    target_ppm = _checked_target(target_ppm)
    with transaction.atomic():
        held, day, against = _ready(lab, container, treated_on, now, already_done)
        lot = held_lot(held)
        density = lot.solvent.density_20c_kg_m3
        got = reached_ppm(mass_ug=mass_ug, volume_ul=held.volume_ul, density_kg_m3=density)
        if got > PPM_MOST:
            raise InputError(
                "mass",
                "out-of-range",
                Phrase("That is more than the solvent weighs."),
                Phrase("Check the unit."),
            )
        with _watched(held, day, lab, actor, now, may_loosen, reason):
            if _stands_elsewhere(lot, held):
                lot = _set_apart(held, lab, actor, now, day, ADDED)
            else:
                note_drawn(held, actor=actor, now=now, day=day)
            row = _log(
                held, lot, ADDED, actor, now, day,
                inhibitor=name, mass_ug=mass_ug, target_ppm=target_ppm, reached_ppm=got, how=how[:300],
            )  # fmt: skip
            _topped_up_anew({lot.pk})
            note_treated(against, row, lab=lab, actor=actor, now=now, today=day_in_lab(lab, now))
            _settle(held, now)
    return row


def peroxides_remove(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    how: str,
    treated_on: date | None = None,
    may_loosen: bool = False,
    reason: str = "",
    already_done: bool = False,
) -> Treatment:
    """Log that peroxides were taken out of what is in a container, and how.

    The content becomes a lot of its own that is claimed to hold no inhibitor. Raises as `inhibitor_add`.
    """
    if not how.strip():
        words = Phrase("It is not said how the peroxides were taken out.")
        raise InputError("how", "missing", words, Phrase("Name what was used."))
    with transaction.atomic():
        held, day, against = _ready(lab, container, treated_on, now, already_done)
        held_lot(held)
        with _watched(held, day, lab, actor, now, may_loosen, reason):
            lot = _set_apart(held, lab, actor, now, day, REMOVED)
            row = _log(held, lot, REMOVED, actor, now, day, how=how.strip()[:300])
            note_treated(against, row, lab=lab, actor=actor, now=now, today=day_in_lab(lab, now))
            _settle(held, now)
    return row


def _checked_target(target_ppm: Decimal | None) -> Decimal | None:
    """The wanted content, to 0.001 ppm as it is kept."""
    if target_ppm is None:
        return None
    kept = target_ppm.quantize(PPM_STEP) if target_ppm <= MOST_PPM else target_ppm
    if not 0 < kept <= MOST_PPM:
        words = Phrase("A content above zero and up to {most_ppm} ppm is taken here.", most_ppm=MOST_PPM)
        raise InputError("target", "out-of-range", words, Phrase("Check number and unit."))
    return kept


def wanted_ug(row: Treatment) -> int | None:
    """The mass in µg that the wanted content would have taken; None where none was wanted."""
    if row.target_ppm is None:
        return None
    density = row.lot.solvent.density_20c_kg_m3
    return dose_ug(volume_ul=row.volume_ul, density_kg_m3=density, wanted_ppm=row.target_ppm)


def warnings(row: Treatment) -> list[str]:
    """What everybody who treats a solvent should read."""
    words: list[str] = [CURES_NOTHING, COUNTS_AFTER_A_TEST] if row.kind == ADDED else [TEST_AFTERWARDS]
    if row.container.due_code.startswith("reading-"):
        words.insert(0, BAD_READING)
    if row.target_ppm is not None and row.reached_ppm is not None and row.reached_ppm < row.target_ppm:
        words.append(Phrase("Less was added than {ppm:f} ppm takes.", ppm=row.target_ppm.normalize()))
    return words


def treatment_withdraw(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    treatment: Treatment,
    reason: str,
    may_loosen: bool = False,
) -> Treatment:
    """Take back a treatment that was not made. Whatever looks safer by it needs a supervisor's signature.

    A lot that was set apart stays apart. Raises InputError, Conflict, Denied.
    """
    if not reason.strip():
        raise InputError(
            "reason",
            "missing",
            Phrase("Withdrawing a treatment needs a reason."),
            Phrase("Say what was wrong."),
        )
    spent = Conflict("treatment", "already-withdrawn", Phrase("This treatment has been withdrawn already."))
    if treatment.withdraws_id is not None or Treatment.objects.filter(withdraws=treatment).exists():
        raise spent
    with transaction.atomic():
        kin = safety.lock_kin(treatment.lot_id, treatment.container)
        watched = [treatment.container, *kin]
        with signed(
            watched,
            lab=lab,
            actor=actor,
            now=now,
            what=Phrase("Withdrawing a treatment"),
            may_loosen=may_loosen,
            reason=reason,
        ):
            row = _taken_back(treatment, actor, now, reason, spent)
            if treatment.kind == ADDED:
                _topped_up_anew(blends_of(treatment.lot_id))
            safety.refresh_due(container=treatment.container, now=now)
            safety.touch(treatment.container)
            safety.refresh_all(kin, now)
            data = {"treatment": treatment.pk, "reason": reason.strip()}
            verb = "treatment-withdrawn"
            record(lab=lab, actor=actor, now=now, verb=verb, subject=treatment.container, data=data)
    return row


def _taken_back(treatment: Treatment, actor: User, now: datetime, reason: str, spent: Conflict) -> Treatment:
    row = Treatment(
        lab_id=treatment.lab_id,
        container_id=treatment.container_id,
        lot_id=treatment.lot_id,
        kind=treatment.kind,
        treated_on=treatment.treated_on,
        inhibitor=treatment.inhibitor,
        mass_ug=treatment.mass_ug,
        volume_ul=treatment.volume_ul,
        how=reason.strip()[:300],
        actor=actor,
        recorded_at=now,
        withdraws=treatment,
    )
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        raise spent from error
    return row


def _ready(
    lab: Lab, container: Container, treated_on: date | None, now: datetime, already_done: bool
) -> tuple[Container, date, Verdict | None]:
    """The container, locked, the day of the treatment, and the verdict where it speaks against that.

    Nothing may have moved in or out since that day.
    """
    held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)
    today = day_in_lab(lab, now)
    day = treated_on or today
    if held.discarded_at is not None:
        raise Conflict(
            "container", "container-discarded", Phrase("{code} has been discarded.", code=held.code)
        )
    if held.lot_id != container.lot_id:
        raise Conflict(
            "container",
            "contents-changed",
            Phrase("What is in {code} changed in the meantime.", code=held.code),
            Phrase("Look at it again, then repeat."),
        )
    if day > today:
        raise InputError(
            "treated_on", "in-the-future", Phrase("That day has not come yet."), Phrase("Check the date.")
        )
    if day < today:
        _check_unmoved_since(held, day)
    against = against_treating(held, today)
    if day == today and not already_done:
        refuse_untouchable(against, held, lab)
    return held, day, against


def _check_unmoved_since(held: Container, day: date) -> None:
    end = datetime.combine(day + timedelta(days=1), time.min, tzinfo=ZoneInfo(held.lab.time_zone))
    if held.counting_began_at >= end or changes_since(held.place_id, end - timedelta(microseconds=1)):
        raise Conflict(
            "treated_on",
            "moved-since",
            Phrase(
                "Solvent moved in or out of {code} after that day: what was treated is not what is in it.",
                code=held.code,
            ),
            Phrase("Enter it on the day itself; what is in it now counts as untreated."),
        )


def _watched(
    held: Container, day: date, lab: Lab, actor: User, now: datetime, may_loosen: bool, reason: str
) -> Any:
    """Told on the day it is a fact of its own; told afterwards it changes what is said of the past."""
    late = day < day_in_lab(lab, now)
    return signed(
        [held] if late else [],
        lab=lab,
        actor=actor,
        now=now,
        what=Phrase("A treatment told afterwards"),
        may_loosen=may_loosen,
        reason=reason,
    )


def _stands_elsewhere(lot: Lot, held: Container) -> bool:
    """Whether any of a lot is or ever was anywhere but in this container: it may come back untreated."""
    return Movement.objects.filter(lot=lot).exclude(destination_id=held.place_id).exists()


def _set_apart(held: Container, lab: Lab, actor: User, now: datetime, day: date, kind: str) -> Lot:
    """Make what is in a container a lot of its own, through the blending boundary."""
    why = {"treatment": kind}
    own, plan = plan_own_lot(container=held, now=now, day=day, why=why, claims=kind == ADDED)
    ledger.post(
        lab=lab,
        actor=actor,
        now=now,
        happened_at=now,
        lines=plan.lines,
        holds={held.place_id: plan.holds},
    )
    held.refresh_from_db()
    set_opened(held, actor=actor, now=now, opened_on=plan.opened_on)
    return own


def _log(
    held: Container, lot: Lot, kind: str, actor: User, now: datetime, day: date, **facts: Any
) -> Treatment:
    row = Treatment.objects.create(
        lab_id=held.lab_id,
        container=held,
        lot=lot,
        kind=kind,
        treated_on=day,
        volume_ul=held.volume_ul,
        actor=actor,
        recorded_at=now,
        **facts,
    )
    data = {"treatment": row.pk, "kind": kind, "on": day.isoformat()}
    record(lab=held.lab, actor=actor, now=now, verb="treated", subject=held, data=data)
    return row


def _settle(held: Container, now: datetime) -> None:
    safety.refresh_due(container=held, now=now)
    safety.touch(held)


def _topped_up_anew(lot_ids: set[int]) -> None:
    """Work out since when lots count as topped up: by what stands of their own, else as all their parts do.

    Parts have smaller ids than what they were blended into.
    """
    for lot in Lot.objects.filter(pk__in=lot_ids).order_by("pk"):
        topped_up_on = _own_top_up(lot) or _top_up_of_parts(lot)
        Lot.objects.filter(pk=lot.pk).update(topped_up_on=topped_up_on)


def _own_top_up(lot: Lot) -> date | None:
    rows = (
        Treatment.objects.alias(takes_back=Coalesce("withdraws_id", Value(0)))
        .filter(takes_back=0, withdrawn_by__isnull=True, lot=lot, kind=ADDED, reached_ppm__gte=LEAST_PPM)
        .values_list("treated_on", flat=True)
    )
    return min(rows, default=None)


def _top_up_of_parts(lot: Lot) -> date | None:
    """As `pouring.blend_lot` says: only when every part is topped up, and from the day of blending."""
    if lot.origin != Lot.Origin.BLEND or lot.made_on is None or _peroxides_taken_out(lot):
        return None
    days = list(LotParent.objects.filter(lot=lot).values_list("parent__topped_up_on", flat=True))
    known = [day for day in days if day is not None]
    return max([lot.made_on, *known]) if days and len(known) == len(days) else None


def _peroxides_taken_out(lot: Lot) -> bool:
    """Whether the lot was set apart by taking peroxides out; withdrawing that brings no inhibitor back."""
    return Treatment.objects.filter(lot=lot, kind=REMOVED).exists()
