"""The gate before a still: what is charged to a run that distils needs a verdict that allows it.

The verdict is that of the house (`rules.verdict`), asked for the use "distil" with the rows of the run and of
all containers concerned locked, so that a bad test that is being recorded is seen, or waits. What was charged
before is judged again with each charge: a bottle that turned out bad since is in the still already.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import QuerySet

from inventory.models import Container, Lab, Movement, Observation, PeroxideTest, Solvent
from inventory.rules.errors import Cause, Denied, Refusal
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.levels import LEVEL_WORDS, RANK, Level, allows, gravest
from inventory.rules.outcomes import passes_levels
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy
from inventory.rules.signs import sign_named
from inventory.rules.verdict import VerdictReason, distilling_terms, reading_level
from inventory.services.containers import day_in_lab
from inventory.services.facts import Gathered, containers_with, gathered, policy_of
from inventory.services.readings import LIQUID_SIGNS, lock_containers, reading_of, standing_tests
from inventory.services.safety import hold_rules
from inventory.services.verdicts import verdicts_in
from recovery.models import Clearance, Run, RunSum
from recovery.rules.clearing import remedy
from recovery.services.heel import is_former

NOT_CLEARED = "distilling-not-cleared"
OUR_RULE = Phrase("When a fact is missing, the worse is assumed: our choice, not published")
BY_SUPERVISOR = Phrase("A supervisor who is signed in may let it through with a reason.")
BY_NOBODY = Phrase("Nobody may let this through.")
LATE = Phrase("If it was distilled already, a supervisor can record it with a reason.")


@dataclass(frozen=True)
class Signature:
    """A supervisor's word for what the verdict does not allow. allowed: the door says who may give one."""

    reason: str
    allowed: bool

    def check(self) -> None:
        """Raises Denied or InputError when it is worth nothing."""
        if not self.allowed:
            raise Denied(
                "",
                "not-allowed",
                Phrase("Only a supervisor may let it through."),
                Phrase("Ask a supervisor to sign in and do it."),
            )
        checked_reason(
            self.reason, what=Phrase("Letting it through needs a reason."), field="override.reason"
        )


@dataclass(frozen=True)
class Judged:
    """What the verdict says of distilling what is in a container, or what was charged from it.

    lot_id: the lot in question. test_id: the test it rests on, if that was made on it in that container.
    """

    container_id: int
    code: str
    lot_id: int
    level: Level
    reasons: tuple[VerdictReason, ...]
    cautions: tuple[str, ...] = ()
    test_id: int | None = None

    @property
    def allowed(self) -> bool:
        return allows(self.level, "distil")

    @property
    def against(self) -> tuple[VerdictReason, ...]:
        """The reasons that do not allow it, worst first."""
        return tuple(reason for reason in self.reasons if not allows(reason.level, "distil"))


@dataclass(frozen=True)
class Ruling:
    """What the gate says of one charge: of what is charged, and of what is in the run already."""

    judged: tuple[Judged, ...]

    @property
    def against(self) -> list[tuple[Judged, VerdictReason]]:
        return [(one, reason) for one in self.judged for reason in one.against]

    @property
    def allowed(self) -> bool:
        return all(one.allowed for one in self.judged)

    @property
    def level(self) -> Level:
        return gravest(one.level for one in self.judged)


@dataclass(frozen=True)
class Charged:
    """A charge of a former that stands, and may still be in the run. container_id 0: from none."""

    movement_id: int
    entry: UUID
    lot_id: int
    solvent_id: int
    volume_ul: int
    container_id: int

    @property
    def key(self) -> tuple[int, int]:
        return self.container_id, self.lot_id


def hold(lab: Lab, run: Run, solvents: Iterable[Solvent]) -> None:
    """Keep policy and classes as they are until the transaction ends; before the run is locked."""
    charged = Solvent.objects.defer("facts").filter(
        pk__in=RunSum.objects.filter(run=run).values("solvent_id")
    )
    for solvent in sorted({*charged, *solvents}, key=lambda each: each.pk):
        hold_rules(lab, solvent)


def ruling_on(*, run: Run, container: Container | None, now: datetime, lock: bool) -> Ruling:
    """What the gate says of charging from a container, if any, and of what a run that distils holds already.

    lock: keep every container concerned as it is; only inside a transaction, with the run locked.
    """
    charged = charges_inside(run)
    own = {container.pk} if container else set()
    ids = own | {charge.container_id for charge in charged if charge.container_id}
    if lock:
        lock_containers(ids)
    found = gathered(containers_with(ids))
    day = day_in_lab(run.lab, now)
    judged = [_judged(found, held, day) for held in found.containers if held.pk in own]
    said = {(one.container_id, one.lot_id): set(one.against) for one in judged}
    inside = [
        one
        for one in _judged_inside(run, charged, found, day)
        # What the bottle itself says is said already.
        if (key := (one.container_id, one.lot_id)) not in said or not set(one.against) <= said[key]
    ]
    return Ruling((*judged, *inside))


def charges_inside(run: Run) -> list[Charged]:
    """Charges of formers of which the run still holds something, oldest first."""
    holding = RunSum.objects.filter(run=run, held_ul__gt=0).values("solvent_id")
    solvents = Solvent.objects.defer("facts").filter(pk__in=holding)
    formers = [solvent.pk for solvent in solvents if is_former(solvent)]
    standing = Movement.objects.filter(
        destination_id=run.place_id, kind="charge", reversed_by=None, solvent_id__in=formers
    )
    columns = ("id", "entry", "lot_id", "solvent_id", "volume_ul", "source__container__id")
    rows = standing.order_by("id").values_list(*columns)
    return [Charged(pk, entry, lot, kind, ul, held or 0) for pk, entry, lot, kind, ul, held in rows]


def _judged(found: Gathered, container: Container, today: date) -> Judged:
    """The verdict on distilling what is in a container."""
    said = verdicts_in(found, container, today)["distil"]
    level, reasons, facts = said.level, said.reasons, found.facts[container.pk]
    if (
        facts is not None
        and facts.peroxide_class == "none"
        and level == "test-first"
        and _only_quality(reasons)
    ):
        # Such as acetone past its date: a matter of quality, which no still makes dangerous.
        level, reasons = "use", tuple(replace(r, level="use") if r.level == level else r for r in reasons)
    reading = facts.last_test if facts else None
    tests = [test.id for test in found.own_tests(container) if test.reading == reading]
    pk, lot_id = container.pk, container.lot_id or 0
    return Judged(pk, container.code, lot_id, level, reasons, said.cautions, max(tests, default=None))


def _filled_since(container: Container, charge: Charged) -> bool:
    """Whether anything was put into it since: a test of what is in it then speaks for another liquid."""
    put_in = Movement.objects.filter(
        destination_id=container.place_id, pk__gt=charge.movement_id, reversal_of=None, reversed_by=None
    )
    return put_in.exists()


def _long_apart(run: Run, charge: Charged, today: date) -> bool:
    """Whether a charge left its bottle so long ago that a test of what stayed there says nothing of it."""
    most = timedelta(days=distilling_terms(policy_of(run.lab)).test_age_max_days)
    happened = Movement.objects.values_list("happened_at", flat=True).get(pk=charge.movement_id)
    return today - day_in_lab(run.lab, happened) > most


def _only_quality(reasons: Sequence[VerdictReason]) -> bool:
    return {reason.code for reason in reasons if reason.level != "use"} <= {"expiry"}


def _judged_inside(run: Run, charged: Sequence[Charged], found: Gathered, today: date) -> list[Judged]:
    """What the verdict says of each former that is in a run, by the container and lot it was charged from.

    What a supervisor let through this same day stays let through, as far as nothing was added to the reasons.
    """
    containers = {container.pk: container for container in found.containers}
    judged: dict[tuple[int, int], Judged] = {}
    for charge in charged:
        # Each by itself: of two charges out of one bottle, the bottle may have changed in between.
        one = _judged_charge(run, charge, containers.get(charge.container_id), found, today)
        judged[charge.key] = _worse_of(judged[charge.key], one) if charge.key in judged else one
    if all(one.allowed for one in judged.values()):
        return list(judged.values())
    signed = _signed_today(run, today)
    return [_less_what_is_signed(one, signed) for one in judged.values()]


def _judged_charge(
    run: Run, charge: Charged, container: Container | None, found: Gathered, today: date
) -> Judged:
    """By its container as long as that holds the same; where it may differ, by its clearance as well."""
    if container is None or container.lot_id != charge.lot_id:
        code = container.code if container else Phrase("A run log")
        return _judged_by_its_clearance(run, charge, code, today)
    own = _judged(found, container, today)
    if not _filled_since(container, charge) and (run.distils or not _long_apart(run, charge, today)):
        return own
    then = _judged_by_its_clearance(run, charge, container.code, today)
    # A test of what is in the container now is not what the charge rests on.
    return replace(_worse_of(then, own), cautions=own.cautions, test_id=None)


def _worse_of(one: Judged, other: Judged) -> Judged:
    """The graver of two, with what speaks against the other."""
    if one == other:
        return one
    worse, milder = (other, one) if RANK[other.level] > RANK[one.level] else (one, other)
    reasons = tuple(dict.fromkeys((*worse.reasons, *milder.against)))
    test_id = worse.test_id if worse.test_id == milder.test_id else None
    return replace(worse, reasons=reasons, cautions=one.cautions or other.cautions, test_id=test_id)


def refuse_unless(
    ruling: Ruling, *, lab: Lab, signature: Signature | None, late: bool = False, field: str = "container"
) -> bool:
    """Raises Refusal unless the ruling allows it or a supervisor signs. Returns whether that was needed.

    late: what is refused is told as having happened before. field: of the body that is at fault.
    """
    if signature is not None:
        signature.check()
    if ruling.allowed:
        return False
    if signature is not None and ruling.level != "do-not-touch":
        return True
    codes = ", ".join(dict.fromkeys(one.code for one, _ in ruling.against))
    what_else = BY_NOBODY if ruling.level == "do-not-touch" else BY_SUPERVISOR
    emergency = (
        Phrase("In an emergency: {text}", text=lab.emergency_text) if ruling.level == "do-not-touch" else ""
    )
    first, reason = max(ruling.against, key=lambda pair: pair[1].level == ruling.level)
    parts = [remedy_of(first, reason), what_else, LATE if late else "", emergency]
    raise Refusal(
        field,
        NOT_CLEARED,
        Phrase(
            "{codes}: {level_words}. Nothing was booked.", codes=codes, level_words=LEVEL_WORDS[ruling.level]
        ),
        Phrase.joined(parts),
        [_cause(one, reason) for one, reason in ruling.against],
    )


def remedy_of(one: Judged, reason: VerdictReason) -> str:
    """What to do about a reason: where something graver speaks against the same bottle, what that asks.

    Nobody is told to test what nobody may touch.
    """
    return remedy(max(one.level, reason.level, key=RANK.__getitem__), one.code)


def _cause(one: Judged, reason: VerdictReason) -> Cause:
    return Cause(
        reason.code,
        Phrase("{code}: {words}", code=one.code, words=reason.words),
        remedy_of(one, reason),
        reason.source or OUR_RULE,
    )


def _judged_by_its_clearance(run: Run, charge: Charged, code: str, today: date) -> Judged:
    """Of what its container no longer holds: the test of then counts while fresh, and until a bad one."""
    reasons = tuple(_against_moved_on(run, charge, policy_of(run.lab), today, code))
    level = gravest(reason.level for reason in reasons)
    return Judged(charge.container_id, code, charge.lot_id, level, reasons)


def _against_moved_on(
    run: Run, charge: Charged, policy: Policy, today: date, code: str
) -> Iterable[VerdictReason]:
    given = Clearance.objects.filter(run=run, container_id=charge.container_id, lot_id=charge.lot_id)
    # The clearance of this charge, not of a later one that rests on another test.
    cleared = given.filter(entry=charge.entry).select_related("test").order_by("id").last()
    tests = standing_tests([charge.lot_id])
    test = cleared.test if cleared and cleared.allowed else None
    solvent = Solvent.objects.get(pk=charge.solvent_id)
    if test is not None and not _still_passes(test, policy, solvent):
        test = None
    if test is None or not tests.filter(pk=test.pk).exists():
        words = Phrase(
            "What was charged from {code} is no longer in it, and no passed test stands behind it.", code=code
        )
        yield VerdictReason("charged-without-test", words, f"entry {charge.entry}", OUR_RULE, "test-first")
    elif _too_old(test, policy, today):
        terms = distilling_terms(policy)
        words = Phrase(
            "What was charged from {code} was last tested on {tested_on}: too long ago.",
            code=code,
            tested_on=test.tested_on,
        )
        yield VerdictReason("test-too-old", words, f"test {test.pk}", terms.test_age_source, "test-first")
    since = tests.exclude(pk=test.pk) if test else tests
    yield from _bad_since(since, cleared, policy, solvent, code)
    yield from _signs_of_lot(charge)


def _still_passes(test: PeroxideTest, policy: Policy, solvent: Solvent) -> bool:
    """By the policy of today, with strips that have not turned out to be expired."""
    reading = reading_of(test)
    return not reading.reagent_expired and passes_levels(reading, policy, solvent.density_20c_kg_m3, "distil")


def _signs_of_lot(charge: Charged) -> Iterable[VerdictReason]:
    seen = Observation.objects.filter(
        lot_id=charge.lot_id, sign__in=LIQUID_SIGNS, withdraws=None, withdrawn_by__isnull=True
    )
    for code in seen.values_list("sign", flat=True).distinct():
        sign = sign_named(code)
        yield VerdictReason(
            f"sign-{code}"[:60], sign.words, Phrase("sign seen: {code}", code=code), sign.source, sign.former
        )


def _too_old(test: PeroxideTest, policy: Policy, today: date) -> bool:
    most = timedelta(days=distilling_terms(policy).test_age_max_days)
    return test.tested_on is None or today - test.tested_on > most


def _bad_since(
    tests: QuerySet[PeroxideTest], cleared: Clearance | None, policy: Policy, solvent: Solvent, code: str
) -> Iterable[VerdictReason]:
    """Tests of the lot that do not pass, recorded since it was cleared, or at all when it never was."""
    since = tests if cleared is None else tests.filter(recorded_at__gte=cleared.recorded_at)
    for test in since:
        reading = reading_of(test)
        if not passes_levels(reading, policy, solvent.density_20c_kg_m3, "distil"):
            words = Phrase(
                "A test of what was charged from {code} does not pass: {as_entered}.",
                code=code,
                as_entered=test.as_entered,
            )
            said = reading_level(reading, policy, "distil", solvent.density_20c_kg_m3)
            level = gravest(["do-not-distil", said])
            yield VerdictReason("bad-test-since", words, f"test {test.pk}", OUR_RULE, level)


def _signed_today(run: Run, today: date) -> dict[tuple[int, int], set[tuple[str, str, str]]]:
    """What a supervisor let through today, by container and lot: code, level and fact of each reason."""
    found: dict[tuple[int, int], set[tuple[str, str, str]]] = {}
    for row in Clearance.objects.filter(run=run).exclude(override_reason=""):
        if day_in_lab(run.lab, row.recorded_at) == today:
            for reason in row.reasons:
                key = (int(reason["container"]), int(reason["lot"]))
                found.setdefault(key, set()).add((reason["code"], reason["level"], reason["fact"]))
    return found


def _less_what_is_signed(one: Judged, signed: dict[tuple[int, int], set[tuple[str, str, str]]]) -> Judged:
    """The same as allowed, when every reason against it was signed for and none forbids to touch it."""
    known = signed.get((one.container_id, one.lot_id), set())
    against = {(reason.code, reason.level, reason.fact) for reason in one.against}
    if one.allowed or one.level == "do-not-touch" or not against <= known:
        return one
    kept = tuple(reason for reason in one.reasons if reason not in one.against)
    return Judged(one.container_id, one.code, one.lot_id, "use", kept, one.cautions, one.test_id)
