"""In which ways one policy is looser than another, decided by what they do and not by how they are written.

Both policies judge a finite set of containers, built from the rows of both: every class, opened or not, with
and without inhibitor, each origin and atmosphere, tested or not, kept sealed for short and for nearly as long
as a row allows; readings at and beside the edge of every level; for every handling row the mildest containers
that it holds for. A policy is looser where one of them may go untested for longer, may be kept at all for
longer, or gets a milder level for some use. So another order of rows is no loosening, and neither is a row
less that another one covers.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from itertools import product

from inventory.rules.facts import MADE_ORIGINS, ContainerFacts
from inventory.rules.levels import LEVEL_WORDS, RANK, USE_WORDS, USES, Use
from inventory.rules.months import add_months
from inventory.rules.outcomes import STEP_MG_PER_L, amount_mg_per_l
from inventory.rules.peroxide import METHODS, NOT_STATED, PeroxideClass, Reading
from inventory.rules.policy_data import Atmosphere, HandlingRow, Interval, Origin, Policy
from inventory.rules.policy_rows import CLASSES, CLOSURES
from inventory.rules.retest import Due, dues
from inventory.rules.verdict import distilling_terms, verdicts

# Months and days compare differently by the month they begin in: a short month, a leap year's, two long ones.
STARTS = (date(2023, 2, 1), date(2024, 1, 31), date(2024, 7, 1))
TODAY = date(2024, 7, 1)
KEPT_SEALED_DAYS = 20
SHORTLY_DAYS = 10
METHOD = "strip-25"
NEGATIVE = Reading(Decimal(0), METHODS[METHOD].first_step_mg_per_l, METHOD, TODAY)
DENSITIES_KG_M3 = (None, Decimal(700), Decimal(1000), Decimal(1600))
ORIGINS: tuple[Origin, ...] = ("purchased", "recovered", "made-here", "blend")


def looser(old: Policy, new: Policy) -> list[str]:
    """Each way in which `new` is looser than `old`, in words; empty when it is looser in none."""
    return [*_by_dates(old, new), *_by_readings(old, new), *_by_handling(old, new), *_by_terms(old, new)]


# -- intervals, the maker's date


def _by_dates(old: Policy, new: Policy) -> Iterable[str]:
    cases: dict[tuple[str, str], list[tuple[int | None, ContainerFacts]]] = defaultdict(list)
    for facts in _dated((old, new)):
        before, after = dues(facts, old), dues(facts, new)
        kind = _kind(facts)
        if _later(before[0].on, after[0].on):
            cases[kind, "the next test comes"].append((_days(before[0].on, after[0].on), facts))
        ends = _disposed_of(before), _disposed_of(after)
        if _later(*ends):
            cases[kind, "it is disposed of"].append((_days(*ends), facts))
    for (kind, what), found in cases.items():
        days = [count for count, _ in found]
        late = "no more" if None in days else f"up to {max(d for d in days if d)} days later"
        yield f"{kind}{_only(facts for _, facts in found)}: {what} {late}."


def _disposed_of(found: list[Due]) -> date | None:
    return min((due.on for due in found if due.ends_in == "dispose" and due.on), default=None)


def _days(before: date | None, after: date | None) -> int | None:
    return None if before is None or after is None else (after - before).days


def _later(before: date | None, after: date | None) -> bool:
    return before is not None and (after is None or after > before)


def _dated(policies: tuple[Policy, Policy]) -> Iterator[ContainerFacts]:
    rows = [row for policy in policies for row in policy.rules]
    atmospheres: tuple[Atmosphere, ...] = (
        ("air", "inert") if any(row.atmosphere for row in rows) else ("air",)
    )
    sealed = {row.interval for row in rows if row.counts_from == "received"}
    for start, name, inhibited, origin in product(STARTS, CLASSES, (True, False), ORIGINS):
        if inhibited and origin in MADE_ORIGINS:
            # A claim is not believed; a top-up is, once a test has passed.
            facts = _container(start, name, inhibited=False, origin=origin, opened="opened")
            for atmosphere in atmospheres:
                topped = replace(facts, topped_up_on=start, atmosphere=atmosphere)
                yield replace(topped, last_test=NEGATIVE.on(start + timedelta(days=1)))
            continue
        states = ("opened", "unopened", "unknown") if origin == "purchased" else ("opened",)
        for opened in states:
            facts = _container(start, name, inhibited=inhibited, origin=origin, opened=opened)
            inert = ("air", "inert") if name == "C" and inhibited else atmospheres
            for atmosphere in inert:
                yield from _tested(replace(facts, atmosphere=atmosphere))
            if origin == "purchased" and opened == "opened":
                yield from _long_sealed(facts, sealed)


def _long_sealed(facts: ContainerFacts, intervals: Iterable[Interval]) -> Iterator[ContainerFacts]:
    """Bottles that were opened shortly before, and after, the end of an interval that counts from receipt."""
    for interval in intervals:
        length = (interval.after(facts.recorded_on) - facts.recorded_on).days
        for days in (length - SHORTLY_DAYS, length + SHORTLY_DAYS):
            if days >= 0:
                yield replace(facts, received_on=facts.recorded_on - timedelta(days=days))


def _container(
    start: date, name: PeroxideClass, *, inhibited: bool, origin: Origin, opened: str
) -> ContainerFacts:
    made = origin != "purchased"
    return ContainerFacts(
        peroxide_class=name,
        inhibited=inhibited,
        origin=origin,
        opened=opened,  # type: ignore[arg-type]
        opened_on=start if opened == "opened" else None,
        received_on=None if made else start - timedelta(days=KEPT_SEALED_DAYS),
        made_on=start if made else None,
        expiry_on=None,
        last_test=None,
        recorded_on=start,
        density_20c_kg_m3=Decimal(1000),
        closure="plastic-screw",
    )


def _tested(facts: ContainerFacts) -> Iterator[ContainerFacts]:
    """Untested, tested, and each with a maker's date that the test comes before or after."""
    yield facts
    start = facts.recorded_on
    soon = start + timedelta(days=1)
    yield replace(facts, expiry_on=soon)
    if facts.opened != "unopened":
        tested = replace(facts, last_test=NEGATIVE.on(soon))
        yield tested
        yield replace(tested, expiry_on=start)


def _kind(facts: ContainerFacts) -> str:
    """A kind of container for people."""
    state: str = "opened, unknown when" if facts.opened == "unknown" else facts.opened
    if facts.origin != "purchased":
        state = {"blend": "blended", "recovered": "distilled here"}.get(facts.origin, "made here")
    claimed = facts.inhibited and facts.origin not in MADE_ORIGINS
    return f"Class {facts.peroxide_class}, {state}, {'with' if claimed else 'without'} inhibitor"


def _only(cases: Iterable[ContainerFacts]) -> str:
    """What all cases of a kind have in common beyond it."""
    found = list(cases)
    words = ", under inert gas" if all(f.atmosphere == "inert" for f in found) else ""
    words += ", after a passed test" if all(f.last_test for f in found) else ""
    words += ", past or near the maker's date" if all(f.expiry_on for f in found) else ""
    return words


# -- levels, handling: the verdict itself on one day


def _by_readings(old: Policy, new: Policy) -> Iterable[str]:
    fresh = _fresh("B", inhibited=True, opened="opened")
    cases: dict[str, dict[str, set[Use]]] = defaultdict(dict)
    for density in DENSITIES_KG_M3:
        for reading in dict.fromkeys(_readings((old, new), density)):
            facts = replace(fresh, density_20c_kg_m3=density, last_test=reading)
            for use, change in _milder(facts, old, new):
                cases[change].setdefault(_reading_words(reading), set()).add(use)
    for change, readings in cases.items():
        others = f" (and {len(readings) - 1} others)" if len(readings) > 1 else ""
        yield f"A reading of {next(iter(readings))}{others}, {_uses(*readings.values())}: {change}."


def _readings(policies: Iterable[Policy], density: Decimal | None) -> Iterator[Reading]:
    """Readings at, just below and just above every edge, sharp and open at either end."""
    edges = {amount_mg_per_l(row, density) for policy in policies for row in policy.levels}
    least = METHODS[METHOD].first_step_mg_per_l or STEP_MG_PER_L
    yield NEGATIVE
    for edge in sorted(edges | {least}):
        for value in {max(edge - STEP_MG_PER_L, STEP_MG_PER_L), edge or STEP_MG_PER_L, edge + STEP_MG_PER_L}:
            yield Reading(value, value, METHOD, TODAY)
            yield Reading(value, None, METHOD, TODAY)
            yield Reading(Decimal(0), value, METHOD, TODAY)
            yield Reading(Decimal(0), value, NOT_STATED, TODAY)


def _reading_words(reading: Reading) -> str:
    lower, upper = reading.lower_mg_per_l, reading.upper_mg_per_l
    if upper is None:
        return f"{lower:f} mg/L or more"
    return f"{upper:f} mg/L" if lower == upper else f"at most {upper:f} mg/L"


def _fresh(name: PeroxideClass, *, inhibited: bool, opened: str) -> ContainerFacts:
    """A container with nothing against it: come and, where it is open, opened and tested today."""
    facts = _container(TODAY, name, inhibited=inhibited, origin="purchased", opened=opened)
    facts = replace(facts, received_on=TODAY, atmosphere="air")
    return replace(facts, last_test=NEGATIVE) if opened == "opened" else facts


def _by_handling(old: Policy, new: Policy) -> Iterable[str]:
    """Rows of the old policy, each on the mildest containers for which it holds."""
    cases: dict[tuple[str, str], tuple[set[str], set[Use]]] = defaultdict(lambda: (set(), set()))
    for row in old.handling:
        for facts in _held_by(row):
            for use, change in _milder(facts, old, new):
                classes, uses = cases[_row_words(row, facts), change]
                classes.add(facts.peroxide_class)
                uses.add(use)
    for (what, change), (classes, uses) in cases.items():
        yield f"Class {', '.join(sorted(classes))}{what}, {_uses(uses)}: {change}."


def _held_by(row: HandlingRow) -> Iterator[ContainerFacts]:
    classes = sorted(row.classes) if row.classes is not None else CLASSES
    inhibited = (True, False) if row.inhibited is None else (row.inhibited,)
    states = ("opened", "unopened") if row.opened is None else ("opened" if row.opened else "unopened",)
    signs = [frozenset({sign}) for sign in sorted(row.signs)] if row.signs is not None else [frozenset[str]()]
    closures = sorted(row.closures) if row.closures is not None else CLOSURES
    for name, with_inhibitor, opened in product(classes, inhibited, states):
        facts = _fresh(name, inhibited=with_inhibitor, opened=opened)
        facts = _beyond(row, facts)
        for seen, closure in product(signs, closures):
            yield replace(facts, signs=seen, closure=closure)  # type: ignore[arg-type]


def _beyond(row: HandlingRow, facts: ContainerFacts) -> ContainerFacts:
    """The facts with what a row asks for: an unknown age or origin, a date just long enough past."""
    if row.origin_unknown:
        facts = replace(facts, origin_unknown=True)
    if row.age_unknown and facts.opened == "opened":
        facts = replace(facts, opened_on=None)
    elif row.age_unknown:
        facts = replace(facts, received_on=None)
    if row.expired_more_than_months is None:
        return facts
    expiry_on = add_months(TODAY, -row.expired_more_than_months) - timedelta(days=1)
    while add_months(expiry_on, row.expired_more_than_months) >= TODAY:
        expiry_on -= timedelta(days=1)
    return replace(facts, expiry_on=expiry_on)


def _row_words(row: HandlingRow, facts: ContainerFacts) -> str:
    what = [f"sign seen: {sign}" for sign in sorted(facts.signs)]
    what += [f"closed by {facts.closure}"] if row.closures is not None else []
    what += ["age unknown"] if row.age_unknown else []
    what += ["origin unknown"] if row.origin_unknown else []
    what += [facts.opened] if row.opened is not None else []
    if row.inhibited is not None:
        what.append("with inhibitor" if row.inhibited else "without inhibitor")
    if row.expired_more_than_months is not None:
        what.append(f"more than {row.expired_more_than_months} months past the maker's date")
    return "".join(f", {words}" for words in what)


def _milder(facts: ContainerFacts, old: Policy, new: Policy) -> Iterable[tuple[Use, str]]:
    """The uses for which the new policy gives a milder level, with both levels in words."""
    before, after = verdicts(facts, old, TODAY), verdicts(facts, new, TODAY)
    for use, verdict in after.items():
        if RANK[verdict.level] < RANK[before[use].level]:
            yield use, f'"{LEVEL_WORDS[verdict.level]}" instead of "{LEVEL_WORDS[before[use].level]}"'


def _uses(*groups: set[Use]) -> str:
    found = set().union(*groups)
    return "to " + ", ".join(USE_WORDS[use] for use in USES if use in found)


# -- distilling


def _by_terms(old: Policy, new: Policy) -> Iterable[str]:
    before, after = distilling_terms(old), distilling_terms(new)
    if after.heel_fraction < before.heel_fraction:
        yield f"Less is left in the still: {after.heel_fraction:.1%} instead of {before.heel_fraction:.1%}."
    if after.test_age_max_days > before.test_age_max_days:
        yield (
            f"A test may be {after.test_age_max_days} days old before distilling instead of "
            f"{before.test_age_max_days}."
        )
