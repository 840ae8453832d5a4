"""What is worked out of a container's facts and stored for sweep, lists and the hot path to read.

One pure function, so that one container and a whole lab are judged alike, and the audit works out the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from inventory.rules.facts import ContainerFacts, clock_of, earliest_known
from inventory.rules.policy_data import Policy
from inventory.rules.retest import Due, dispose_on, next_test
from inventory.rules.signs import SIGNS
from inventory.rules.verdict import verdict

NOT_A_FORMER = "not-a-former"
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Forecast:
    """The day by which the readings may reach the action level, or why none is told."""

    on: date | None = None
    code: str = ""
    words: str = ""


NO_FORECAST = Forecast()


@dataclass(frozen=True)
class Stored:
    """Columns of a container, by their names. drawable_until: up to then drawing is sure to be allowed."""

    next_test_due: date | None = None
    due_code: str = NOT_A_FORMER
    due_words: str = ""
    worst_sign: str = ""
    dispose_on: date | None = None
    expires_on: date | None = None
    untested_since: date | None = None
    policy_due: date | None = None
    drawable_until: date | None = None
    forecast_on: date | None = None
    forecast_code: str = ""
    forecast_words: str = ""


def worst_sign(signs: Iterable[str]) -> str:
    """The worst of some signs; one that nobody knows is worse than any."""
    seen = set(signs)
    strange = sorted(seen.difference(SIGNS))
    return next((sign for sign in (*strange, *SIGNS) if sign in seen), "")


def stored(
    facts: ContainerFacts,
    policy: Policy,
    today: date,
    tested: Iterable[date],
    forecast: Forecast = NO_FORECAST,
) -> tuple[Stored, Due]:
    """The columns, and the due date with its reasons. tested: days of its own tests of what is in it."""
    by_policy = next_test(replace(facts, forecast_on=None), policy)
    facts = replace(facts, forecast_on=forecast.on)
    due = next_test(facts, policy) if forecast.on else by_policy
    columns = Stored(
        next_test_due=due.on,
        due_code=due.code,
        due_words=due.words,
        worst_sign=worst_sign(facts.signs),
        dispose_on=dispose_on(facts, policy),
        expires_on=facts.expiry_on,
        untested_since=untested_since(facts, tested),
        policy_due=by_policy.on,
        drawable_until=drawable_until(facts, policy, today),
        forecast_on=forecast.on,
        forecast_code=forecast.code,
        forecast_words=forecast.words,
    )
    return columns, due


def untested_since(facts: ContainerFacts, tested: Iterable[date]) -> date | None:
    """The day since which a former is open, or made, without any dated test; None: tested, or sealed."""
    clock = clock_of(facts)
    if facts.peroxide_class == "none" or clock.counts_from == "received":
        return None
    start = clock.start or earliest_known(facts)
    return None if any(day >= start for day in tested) else start


def drawable_until(facts: ContainerFacts, policy: Policy, today: date) -> date | None:
    """The last day of which it is sure that the verdict on drawing is "use"; None: it is not even today.

    A verdict never gets milder by mere waiting, so the last day speaks for those before it.
    """
    ends = (next_test(facts, policy).on, dispose_on(facts, policy), facts.expiry_on)
    until = min((day - ONE_DAY for day in ends if day is not None and day > date.min), default=date.max)
    if until < today:
        return None
    sure = all(verdict(facts, policy, "draw", day).level == "use" for day in (today, until))
    return until if sure else None
