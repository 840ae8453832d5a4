"""The shipped policies to choose from at the first set-up: each in a line, with its source."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.rules.facts import ContainerFacts
from inventory.rules.months import add_months
from inventory.rules.peroxide import PeroxideClass
from inventory.rules.policy_data import DEFAULT_POLICY_KEY, Policy, load_policies
from inventory.rules.retest import next_test

# Any day serves: only the number of days until the test is told.
OPENED_ON = date(2026, 1, 1)
DAYS_IN_A_MONTH = 30.44
CLASSES: tuple[PeroxideClass, ...] = ("A", "B", "C")


@dataclass(frozen=True)
class Described:
    """A policy in a line, with where it comes from."""

    key: str
    name: str
    source: str
    line: str


def shipped_choices() -> list[tuple[str, Any]]:
    """The cautious default first."""
    return [(policy.key, policy.name) for policy in _shipped()]


def shipped_described() -> list[Described]:
    return [Described(policy.key, policy.name, policy.source, line_of(policy)) for policy in _shipped()]


def _shipped() -> list[Policy]:
    return sorted(
        load_policies().values(), key=lambda policy: (policy.key != DEFAULT_POLICY_KEY, policy.name)
    )


def line_of(policy: Policy) -> str:
    """When a bottle that was bought with inhibitor and opened is tested first, class by class."""
    parts = []
    for letter in CLASSES:
        when = _span(next_test(_opened(letter), policy).on)
        parts.append(_("class %(letter)s %(when)s") % {"letter": letter, "when": when})
    return _("An opened bottle with inhibitor is tested: %(parts)s.") % {"parts": ", ".join(parts)}


def _span(due: date | None) -> str:
    """How long after the opening, in whole months where it is that."""
    if due is None:
        return _("at no fixed time")
    days = (due - OPENED_ON).days
    months = round(days / DAYS_IN_A_MONTH)
    if months and add_months(OPENED_ON, months) == due:
        return ngettext("after %(n)d month", "after %(n)d months", months) % {"n": months}
    return ngettext("after %(n)d day", "after %(n)d days", days) % {"n": days}


def _opened(letter: PeroxideClass) -> ContainerFacts:
    return ContainerFacts(
        peroxide_class=letter,
        inhibited=True,
        origin="purchased",
        opened="opened",
        opened_on=OPENED_ON,
        received_on=OPENED_ON,
        made_on=None,
        expiry_on=None,
        last_test=None,
        recorded_on=OPENED_ON,
    )
