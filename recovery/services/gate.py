"""The gate before a still: what is charged to a run that distils needs a verdict that allows it.

The verdict is that of the house (`rules.verdict`), asked for the use "distil" with the rows of the run and of
all containers concerned locked, so that a bad test that is being recorded is seen, or waits. What was charged
before is judged again with each charge: a bottle that turned out bad since is in the still already.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from django.db.models import QuerySet

from inventory.models import Container, Lab, Lot, Movement, PeroxideTest, Solvent
from inventory.rules.errors import Cause, Denied, InputError, Refusal
from inventory.rules.levels import LEVEL_WORDS, Level, allows, gravest
from inventory.rules.outcomes import passes_levels
from inventory.rules.policy_data import Policy
from inventory.rules.verdict import VerdictReason, distilling_terms
from inventory.services.containers import day_in_lab
from inventory.services.facts import Gathered, containers_with, gathered, policy_of
from inventory.services.readings import lock_containers, reading_of, standing_tests
from inventory.services.safety import hold_rules
from inventory.services.verdicts import verdicts_in
from recovery.models import Clearance, Run, RunSum
from recovery.rules.clearing import remedy
from recovery.services.heel import is_former

NOT_CLEARED = "distilling-not-cleared"
OUR_RULE = "When a fact is missing, the worse is assumed: our choice, not published"
BY_SUPERVISOR = "A supervisor who is signed in may let it through with a reason."
BY_NOBODY = "Nobody may let this through."
LATE = "If it was distilled already, a supervisor can record it with a reason."


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
                "Only a supervisor may let it through.",
                "Ask a supervisor to sign in and do it.",
            )
        if not self.reason.strip():
            raise InputError(
                "override.reason", "missing", "Letting it through needs a reason.", "Say why it is right."
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


def hold(lab: Lab, run: Run, solvents: Iterable[Solvent]) -> None:
    """Keep policy and classes as they are until the transaction ends; before the run is locked."""
    charged = Solvent.objects.filter(pk__in=RunSum.objects.filter(run=run).values("solvent_id"))
    for solvent in sorted({*charged, *solvents}, key=lambda each: each.pk):
        hold_rules(lab, solvent)


def ruling_on(*, run: Run, container: Container, now: datetime, lock: bool) -> Ruling:
    """What the gate says of charging from a container to a run that distils.

    lock: keep every container concerned as it is; only inside a transaction, with the run locked.
    """
    charged = charges_of(run)
    if lock:
        others = [move.source.container.pk for move in charged if _has_container(move)]
        lock_containers([container.pk, *others])
    (held,) = containers_with([container.pk])
    (own,) = judge([held], day_in_lab(held.lab, now))
    inside = judged_inside(run, charged, policy_of(held.lab), now)
    return Ruling((own, *(one for one in inside if _key(one) != _key(own))))


def judge(containers: Sequence[Container], today: date) -> list[Judged]:
    """The verdict on distilling what is in each container, as `containers_with` reads them."""
    found = gathered(containers)
    return [_judged(found, container, today) for container in containers]


def _judged(found: Gathered, container: Container, today: date) -> Judged:
    said = verdicts_in(found, container, today)["distil"]
    level, reasons, facts = said.level, said.reasons, found.facts[container.pk]
    if facts is not None and facts.peroxide_class == "none" and level == "test-first":
        # Such as acetone past its date: a matter of quality, which no still makes dangerous.
        level, reasons = "use", tuple(replace(r, level="use") if r.level == level else r for r in reasons)
    reading = facts.last_test if facts else None
    tests = [test.id for test in found.own_tests(container) if test.reading == reading]
    pk, lot_id = container.pk, container.lot_id or 0
    return Judged(pk, container.code, lot_id, level, reasons, said.cautions, max(tests, default=None))


def charges_of(run: Run) -> list[Movement]:
    """Charges that stand, oldest first, with the container each came from."""
    related = Movement.objects.select_related("source__container", "lot", "solvent")
    standing = related.filter(destination_id=run.place_id, kind="charge", reversed_by=None)
    return list(standing.order_by("id"))


def judged_inside(run: Run, charged: Sequence[Movement], policy: Policy, now: datetime) -> list[Judged]:
    """What the verdict says of each former that is in a run, by the container and lot it was charged from.

    What a supervisor let through this same day stays let through, as far as nothing was added to the reasons.
    """
    holding = set(RunSum.objects.filter(run=run, held_ul__gt=0).values_list("solvent_id", flat=True))
    inside = [m for m in charged if m.solvent_id in holding and is_former(m.solvent)]
    containers = {
        c.pk: c for c in containers_with({m.source.container.pk for m in inside if _has_container(m)})
    }
    today = day_in_lab(run.lab, now)
    signed = _signed_today(run, today)
    found: dict[tuple[int, int], Judged] = {}
    for move in inside:
        container = containers[move.source.container.pk] if _has_container(move) else None
        key = (container.pk if container else 0, move.lot_id)
        if key in found:
            continue
        if container is not None and container.lot_id == move.lot_id:
            (found[key],) = judge([container], today)
        else:
            found[key] = _judged_by_its_clearance(run, move, container, policy, today)
    return [_less_what_is_signed(one, signed) for one in found.values()]


def refuse_unless(ruling: Ruling, *, lab: Lab, signature: Signature | None, late: bool = False) -> bool:
    """Raises Refusal unless the ruling allows it or a supervisor signs. Returns whether that was needed.

    late: what is refused is told as having happened before.
    """
    if signature is not None:
        signature.check()
    if ruling.allowed:
        return False
    if signature is not None and ruling.level != "do-not-touch":
        return True
    codes = ", ".join(dict.fromkeys(one.code for one, _ in ruling.against))
    what_else = BY_NOBODY if ruling.level == "do-not-touch" else BY_SUPERVISOR
    emergency = f"In an emergency: {lab.emergency_text}" if ruling.level == "do-not-touch" else ""
    first, reason = max(ruling.against, key=lambda pair: pair[1].level == ruling.level)
    parts = [remedy(reason.level, first.code), what_else, LATE if late else "", emergency]
    raise Refusal(
        "container",
        NOT_CLEARED,
        f"{codes}: {LEVEL_WORDS[ruling.level]}. Nothing was charged.",
        " ".join(part for part in parts if part),
        [_cause(one, reason) for one, reason in ruling.against],
    )


def _cause(one: Judged, reason: VerdictReason) -> Cause:
    return Cause(
        reason.code, f"{one.code}: {reason.words}", remedy(reason.level, one.code), reason.source or OUR_RULE
    )


def _has_container(move: Movement) -> bool:
    return hasattr(move.source, "container")


def _key(one: Judged) -> tuple[int, int]:
    return one.container_id, one.lot_id


def _judged_by_its_clearance(
    run: Run, move: Movement, container: Container | None, policy: Policy, today: date
) -> Judged:
    """Of what its container no longer holds: the test of then counts while fresh, and until a bad one."""
    code = container.code if container else "A run log"
    reasons = tuple(_against_moved_on(run, move, policy, today, code))
    level = gravest(reason.level for reason in reasons)
    return Judged(container.pk if container else 0, code, move.lot_id, level, reasons)


def _against_moved_on(
    run: Run, move: Movement, policy: Policy, today: date, code: str
) -> Iterable[VerdictReason]:
    cleared = Clearance.objects.filter(run=run, entry=move.entry).select_related("test").last()
    tests = standing_tests([move.lot_id])
    test = cleared.test if cleared and cleared.allowed else None
    if test is None or not tests.filter(pk=test.pk).exists():
        words = f"What was charged from {code} is no longer in it, and no passed test stands behind it."
        yield VerdictReason("charged-without-test", words, f"entry {move.entry}", OUR_RULE, "test-first")
    elif _too_old(test, policy, today):
        terms = distilling_terms(policy)
        words = f"What was charged from {code} was last tested on {test.tested_on}: too long ago."
        yield VerdictReason("test-too-old", words, f"test {test.pk}", terms.test_age_source, "test-first")
    since = tests.exclude(pk=test.pk) if test else tests
    yield from _bad_since(since, cleared, policy, move.lot, code)


def _too_old(test: PeroxideTest, policy: Policy, today: date) -> bool:
    most = timedelta(days=distilling_terms(policy).test_age_max_days)
    return test.tested_on is None or today - test.tested_on > most


def _bad_since(
    tests: QuerySet[PeroxideTest], cleared: Clearance | None, policy: Policy, lot: Lot, code: str
) -> Iterable[VerdictReason]:
    """Tests of the lot that do not pass, recorded since it was cleared, or at all when it never was."""
    since = tests if cleared is None else tests.filter(recorded_at__gte=cleared.recorded_at)
    for test in since:
        if not passes_levels(reading_of(test), policy, lot.solvent.density_20c_kg_m3, "distil"):
            words = f"A test of what was charged from {code} does not pass: {test.as_entered}."
            yield VerdictReason("bad-test-since", words, f"test {test.pk}", OUR_RULE, "do-not-distil")


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
    known = signed.get(_key(one), set())
    against = {(reason.code, reason.level, reason.fact) for reason in one.against}
    if one.allowed or one.level == "do-not-touch" or not against <= known:
        return one
    kept = tuple(reason for reason in one.reasons if reason not in one.against)
    return Judged(one.container_id, one.code, one.lot_id, "use", kept, one.cautions, one.test_id)
