"""Which of the recorded tests counts for what is in a container now: pure, for one container or a million.

A reading that does not pass follows the liquid wherever it is poured; one that passes speaks only for the
container it was taken from, and only until something else is put in. A reading that decides nothing (off the
scale, doubtful, made with expired strips) answers no earlier one: it may harm and never help.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal

from inventory.rules.levels import RANK, Use
from inventory.rules.outcomes import Outcome, outcome
from inventory.rules.peroxide import Reading
from inventory.rules.policy_data import Policy

_USES: tuple[Use, Use] = ("draw", "distil")


@dataclass(frozen=True, slots=True)
class Tested:
    """A standing test: neither withdrawn nor a withdrawal. lot_made_on, lot_created_at: of the lot tested.

    recorded_on: the day of its recording in the lab's zone.
    """

    id: int
    container_id: int
    lot_id: int
    reading: Reading
    recorded_at: datetime
    recorded_on: date
    lot_made_on: date | None
    lot_created_at: datetime

    @property
    def tested_on(self) -> date | None:
        return self.reading.tested_on


@dataclass(frozen=True, slots=True)
class Giver:
    """A container from which some of a lot was poured on, and when that was recorded."""

    container_id: int
    lot_id: int
    at: datetime


@dataclass(frozen=True, slots=True)
class Held:
    """A container and the lot that it holds, or held last."""

    container_id: int
    lot_id: int
    lot_made_on: date | None
    lot_created_at: datetime
    givers: frozenset[Giver] = frozenset()


@dataclass(frozen=True)
class Judge:
    """What a reading is worth under a policy, for a solvent of this density."""

    policy: Policy
    density_20c_kg_m3: Decimal | None = None

    def passes(self, reading: Reading) -> bool:
        """True only when it is shown to be below every level that bears on taking some out."""
        return reading.reagent_expired is not True and self._outcome(reading).code is None

    def decides(self, reading: Reading) -> bool:
        """Whether it says how much there is, so that it may take the place of an earlier one."""
        if reading.reagent_expired is True or reading.upper_mg_per_l is None:
            return False
        return self._outcome(reading).code != "reading-not-decisive"

    def says_nothing(self, reading: Reading) -> bool:
        """Whether it neither decides nor shows any peroxide, as one made with expired strips may."""
        reached = "reading-at-or-above-level"
        return not self.decides(reading) and all(self._outcome(reading, u).code != reached for u in _USES)

    def gravity(self, reading: Reading) -> tuple[int, int, Decimal]:
        """Graver readings compare greater."""
        undecided = RANK["use"] if self.passes(reading) else RANK["test-first"]
        draw, distil = (RANK[self._outcome(reading, use).level] for use in _USES)
        return (max(draw, undecided), distil, reading.lower_mg_per_l)

    def _outcome(self, reading: Reading, use: Use = "draw") -> Outcome:
        return outcome(reading, self.policy, use, self.density_20c_kg_m3)


@dataclass(frozen=True)
class Tests:
    """All standing tests that may bear on some containers, and which lots were blended into which."""

    by_container: Mapping[int, Sequence[Tested]] = field(default_factory=dict)
    by_lot: Mapping[int, Sequence[Tested]] = field(default_factory=dict)
    parents: Mapping[int, frozenset[int]] = field(default_factory=dict)

    @classmethod
    def of(cls, tests: Iterable[Tested], parents: Mapping[int, frozenset[int]]) -> Tests:
        """The tests sorted by where they were made and by what was tested, oldest first."""
        by_container: dict[int, list[Tested]] = defaultdict(list)
        by_lot: dict[int, list[Tested]] = defaultdict(list)
        for test in sorted(tests, key=lambda t: (t.recorded_at, t.id)):
            by_container[test.container_id].append(test)
            by_lot[test.lot_id].append(test)
        return cls(by_container, by_lot, parents)

    def here(self, held: Held) -> list[Tested]:
        """Tests of what is in the container, made there."""
        return [t for t in self.by_container.get(held.container_id, ()) if t.lot_id == held.lot_id]


def deciding(tests: Sequence[Tested], judge: Judge) -> Tested | None:
    """The test that counts: the worst of those since the last day on which one decided.

    Of two tests on one day the worse one counts: nothing says which came last. But one that says nothing is
    answered by one that passed and was recorded after it that day. An undated one that does not pass and may
    be later counts too.
    """
    sure = max((t.tested_on for t in tests if t.tested_on and judge.decides(t.reading)), default=None)
    if sure is None:
        return _worst_together(tests, judge)
    newest = max(t.id for t in tests if t.tested_on == sure and judge.decides(t.reading))
    passed = max((t.id for t in tests if t.tested_on == sure and judge.passes(t.reading)), default=0)
    counted = [t for t in tests if _counts(t, sure, newest, judge)]
    answered = {
        t.id for t in counted if t.tested_on == sure and t.id < passed and judge.says_nothing(t.reading)
    }
    return _worst_together([t for t in counted if t.id not in answered], judge)


def _worst_together(tests: Sequence[Tested], judge: Judge) -> Tested | None:
    """The worst of them; where it knows no upper end, with the most that any of them has shown.

    Or a doubtful result would hide one that forbids the still and lets people draw.
    """
    chosen = worst(tests, judge)
    if chosen is None or chosen.reading.upper_mg_per_l is not None:
        return chosen
    shown = max(t.reading.lower_mg_per_l for t in tests)
    return replace(chosen, reading=replace(chosen.reading, lower_mg_per_l=shown))


def _counts(test: Tested, sure: date, newest: int, judge: Judge) -> bool:
    """Whether a test is from that day or later, or may be: an undated one that speaks for nothing good."""
    if test.tested_on is not None:
        return test.tested_on >= sure
    return not judge.passes(test.reading) and not _before(test, sure, newest)


def _before(undated: Tested, day: date, newest: int) -> bool:
    """Whether an undated test was surely made before one that decided that day: it was on record by then.

    newest: the last recorded one of that day that decides; one that decides nothing answers none.
    """
    return undated.recorded_on < day or (undated.recorded_on == day and undated.id < newest)


def worst(tests: Iterable[Tested], judge: Judge) -> Tested | None:
    return max(tests, key=lambda t: judge.gravity(t.reading), default=None)


def counting_test(
    held: Held, own: Tested | None, tests: Tests, judge: Judge, *, mixed: bool
) -> Tested | None:
    """The test by which a container is judged: its own, or a bad one that came with what is in it.

    A passed test of its own stands against an older bad one, until something else was put in.
    own: the deciding one of its own; mixed: whether anything was put in after it.
    """
    if own and not judge.passes(own.reading):
        return own
    left = _left_behind(held.lot_id, own, tests.by_container.get(held.container_id, ()), judge)
    if left is not None:
        return worst([left, *_bad_behind(held.lot_id, tests, judge)], judge)
    brought = worst(_brought(held, None if mixed else own, tests, judge), judge)
    if own and not mixed and brought is None and _after_making(own, held.lot_made_on, held.lot_created_at):
        return own
    bad = worst([*_bad_behind(held.lot_id, tests, judge), *_brought(held, own, tests, judge)], judge)
    if bad is not None:
        return bad
    return None if mixed else own


def _left_behind(lot_id: int, own: Tested | None, made_here: Iterable[Tested], judge: Judge) -> Tested | None:
    """A bad reading of what was in a container before: peroxides stay behind when it dries or is emptied.

    A test of what is in it now answers it, when it passed, was recorded later and is dated no earlier.
    """
    before = [t for t in made_here if t.lot_id != lot_id]
    bad = deciding(before, judge) if before else None
    if bad is None or judge.passes(bad.reading):
        return None
    good = own is not None and judge.passes(own.reading)
    return None if good and _answers(own, bad) else bad


def _brought(held: Held, own: Tested | None, tests: Tests, judge: Judge) -> list[Tested]:
    """Bad readings of what had been, before, in the containers that it was poured from."""
    found = []
    for giver in held.givers:
        here = [t for t in tests.by_container.get(giver.container_id, ()) if t.recorded_at <= giver.at]
        own_there = deciding([t for t in here if t.lot_id == giver.lot_id], judge)
        left = _left_behind(giver.lot_id, own_there, here, judge)
        if left is not None and not _answers(own, left):
            found.append(left)
    return found


def _answers(own: Tested | None, bad: Tested) -> bool:
    """Whether a passed test was recorded later than a bad one and is dated no earlier."""
    if own is None or own.tested_on is None or own.id <= bad.id:
        return False
    return own.tested_on >= (bad.tested_on or bad.recorded_on)


def _after_making(test: Tested, made_on: date | None, created_at: datetime) -> bool:
    """Whether a dated test was made on the lot as it is, not on what went into it."""
    if test.tested_on is None:
        return False
    if made_on is None or test.tested_on > made_on:
        return True
    return test.tested_on == made_on and test.recorded_at >= created_at


def _bad_behind(lot_id: int, tests: Tests, judge: Judge) -> list[Tested]:
    """Bad deciding tests of the lot in any container, and of what was blended into it.

    A blend lot that has passed a test of its own since it was made answers for its parents. One bottle's
    good reading says nothing about another bottle of the same lot.
    """
    bad: list[Tested] = []
    seen, frontier = {lot_id}, {lot_id}
    while frontier:
        answered = set()
        for lot in frontier:
            for made_here in _by_container(tests.by_lot.get(lot, ())):
                test = deciding(made_here, judge)
                if test is not None and not judge.passes(test.reading):
                    bad.append(test)
                elif test is not None and _after_making(test, test.lot_made_on, test.lot_created_at):
                    answered.add(lot)
        frontier = {p for lot in frontier - answered for p in tests.parents.get(lot, ())} - seen
        seen |= frontier
    return bad


def _by_container(tests: Iterable[Tested]) -> Iterable[list[Tested]]:
    groups: dict[int, list[Tested]] = defaultdict(list)
    for test in tests:
        groups[test.container_id].append(test)
    return groups.values()


def lots_behind(lot_id: int, parents: Mapping[int, frozenset[int]]) -> set[int]:
    """The lot and all lots that were blended into it."""
    found, frontier = {lot_id}, {lot_id}
    while frontier:
        frontier = {parent for lot in frontier for parent in parents.get(lot, ())} - found
        found |= frontier
    return found
