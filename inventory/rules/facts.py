"""What is recorded of a container, and what may be concluded from it: inhibitor, clock, which test counts.

The worse is assumed of a missing fact. Nothing here knows today.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Literal

from inventory.rules.outcomes import passes_levels
from inventory.rules.peroxide import PeroxideClass, Reading
from inventory.rules.policy_data import Atmosphere, Closure, CountsFrom, Origin, Policy
from inventory.rules.policy_rows import CLASSES

MADE_ORIGINS: frozenset[Origin] = frozenset({"made-here", "recovered"})

StartUnknown = Literal["opening-date-unknown", "receipt-date-unknown", "made-date-unknown"]


@dataclass(frozen=True)
class ContainerFacts:
    """What is recorded of one container and the lot in it.

    inhibited: of a blend True only when every part counts as inhibited (`effective_inhibited`). opened_on: of
    a blend the earliest opening or making among its parts; made_on: the day of blending or distilling.
    expiry_on: the maker's, of a blend the earliest. recorded_on: the day the container entered the records.
    signs: codes of `signs.SIGNS` that stand. density_20c_kg_m3: for levels in mass ppm. topped_up_on: an
    inhibitor was added; it counts once a test passed on or after that day. treated_on: peroxides were taken
    out, and with them any inhibitor. forecast_on: the day by which the readings may reach the action level.
    origin_unknown: `origin` is a guess, so it may be a distillate and no claim of an inhibitor is believed.
    overridden_on: a supervisor let through what it was distilled from, or some of it, with override_reason.
    """

    peroxide_class: PeroxideClass
    inhibited: bool | None
    origin: Origin
    opened: Literal["unopened", "opened", "unknown"]
    opened_on: date | None
    received_on: date | None
    made_on: date | None
    expiry_on: date | None
    last_test: Reading | None
    recorded_on: date
    atmosphere: Atmosphere = "unknown"
    closure: Closure = "unknown"
    signs: frozenset[str] = frozenset()
    quarantined: bool = False
    density_20c_kg_m3: Decimal | None = None
    origin_unknown: bool = False
    topped_up_on: date | None = None
    treated_on: date | None = None
    forecast_on: date | None = None
    overridden_on: date | None = None
    override_reason: str = ""


@dataclass(frozen=True)
class TopUpCounts(ContainerFacts):
    """The same, seen as if its top-up counted though no test has passed since: it may be in there."""


@dataclass(frozen=True)
class Clock:
    """From when an interval counts. start None: the day that is needed is not known."""

    counts_from: CountsFrom
    start: date | None
    unknown: StartUnknown


def classes_of(facts: ContainerFacts) -> tuple[PeroxideClass, ...]:
    """The classes it may be of: of an unknown class every one, and the strictest row holds."""
    return (facts.peroxide_class,) if facts.peroxide_class in CLASSES else CLASSES


def ways_of(facts: ContainerFacts, policy: Policy) -> list[ContainerFacts]:
    """The facts, and where a policy is stricter with what an unknown one could be, those ways as well."""
    ways = [facts]
    if facts.inhibited is None and policy.index.inhibitor_may_shorten:
        ways += [replace(way, inhibited=True) for way in ways]
    if (
        facts.topped_up_on is not None
        and policy.index.inhibitor_may_shorten
        and not _topped_up(facts, policy)
    ):
        ways += [TopUpCounts(**vars(way)) for way in ways]
    if facts.atmosphere == "unknown" and policy.index.gas_may_shorten:
        ways += [replace(way, atmosphere="inert") for way in ways]
    return ways


def effective_inhibited(inhibited: bool | None, origin: Origin) -> bool:
    """Whether it counts as inhibited: distilling leaves the inhibitor behind, a claim is no top-up."""
    return inhibited is True and origin not in MADE_ORIGINS


def counts_inhibited(facts: ContainerFacts, policy: Policy, peroxide_class: PeroxideClass) -> bool:
    """Whether a container counts as inhibited.

    A top-up makes it so once a test has passed since. Inhibitors of class C need air: under inert gas there
    is none (Cornell EHS App. J, Princeton EHS: class C not under inert gas).
    """
    if peroxide_class == "C" and facts.atmosphere == "inert":
        return False
    claimed = effective_inhibited(facts.inhibited, facts.origin) and not facts.origin_unknown
    return (
        (claimed and facts.treated_on is None) or isinstance(facts, TopUpCounts) or _topped_up(facts, policy)
    )


def _topped_up(facts: ContainerFacts, policy: Policy) -> bool:
    """Whether inhibitor was added to what is in it now, and a test has passed on or after that day."""
    added, test = facts.topped_up_on, facts.last_test
    if added is None or test is None or test.tested_on is None or test.tested_on < added:
        return False
    if facts.origin in MADE_ORIGINS and facts.made_on is None:
        return False
    after = [day for day in (facts.made_on, facts.treated_on) if day is not None]
    return all(added >= day for day in after) and vouches(facts, policy)


def clock_of(facts: ContainerFacts) -> Clock:
    """The one clock that runs: from opening, from receipt while unopened, or from making here."""
    if facts.origin in MADE_ORIGINS:
        return Clock("made", facts.made_on, "made-date-unknown")
    if facts.origin == "blend" or (facts.origin_unknown and facts.opened_on is not None):
        # Pouring together opens the lot and cures nothing: the oldest known day of any part counts.
        start = None if facts.opened_on is None else min(facts.opened_on, facts.made_on or facts.opened_on)
        return Clock("opened", start, "opening-date-unknown")
    if facts.opened == "unopened" and facts.opened_on is None and not tested_on_an_unknown_day(facts):
        return Clock("received", facts.received_on, "receipt-date-unknown")
    return Clock("opened", facts.opened_on, "opening-date-unknown")


def age_unknown(facts: ContainerFacts) -> bool:
    """True when the day from which its age counts is not known, whatever tests there are."""
    return clock_of(facts).start is None


def tested_on_an_unknown_day(facts: ContainerFacts) -> bool:
    return facts.last_test is not None and facts.last_test.tested_on is None


def vouches(facts: ContainerFacts, policy: Policy) -> bool:
    """Whether the last test speaks for what is in it now: passed, dated, with reagents in date."""
    reading = facts.last_test
    if reading is None or reading.tested_on is None or reading.reagent_expired:
        return False
    return passes_levels(reading, policy, facts.density_20c_kg_m3) and not test_too_early(facts)


def test_too_early(facts: ContainerFacts) -> bool:
    """True when the test says nothing of the material since its clock started, or that cannot be shown."""
    tested_on = facts.last_test.tested_on if facts.last_test else None
    if tested_on is None:
        return False
    if facts.origin == "blend" and facts.made_on is None:
        return True
    return any(tested_on < day for day in _days_a_test_must_follow(facts))


def _days_a_test_must_follow(facts: ContainerFacts) -> Iterable[date]:
    days = [clock_of(facts).start, facts.made_on, facts.treated_on]
    if facts.origin == "purchased":
        days.append(facts.received_on)
    return [day for day in days if day is not None]


def earliest_known(facts: ContainerFacts) -> date:
    """The day from which a container with a missing date counts as due: never blank, never late."""
    return min(day for day in (facts.received_on, facts.made_on, facts.recorded_on) if day is not None)
