"""Tightening is free, loosening is signed: only a supervisor, with a reason, makes a container look safer.

A passed test, a first opening and new content are facts of their own; what is watched here is a record that
is changed afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from inventory.models import Container, Lab, User
from inventory.rules.errors import Denied
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.levels import RANK, Level, Use
from inventory.rules.looser import NEGATIVE
from inventory.rules.months import add_months
from inventory.rules.phrases import Phrase
from inventory.rules.retest import next_test
from inventory.rules.signs import SIGNS
from inventory.rules.verdict import verdicts
from inventory.services.events import record
from inventory.services.facts import Gathered, containers_with, gathered

VERB = "loosened"
LONG_AFTER_MONTHS = 1200
BAD_READING = ("reading-at-or-above-level", "reading-not-decisive")


@dataclass(frozen=True)
class Standing:
    """What the shelf tells of a container. next_test_due_on None: no test is needed, the mildest of all."""

    next_test_due_on: date | None
    due_code: str
    worst_sign: str
    dispose_on: date | None = None
    levels: Mapping[Use, Level] = field(default_factory=dict)
    untested_due_on: date | None = None
    passed_due_on: date | None = None
    levels_long_after: Mapping[Use, Level] = field(default_factory=dict)
    held_nothing: bool = False

    def milder_than(self, other: Standing) -> bool:
        """Later, no longer bad, without the sign that was the worst, or with a milder verdict for any use."""
        if _rank(self.worst_sign) > _rank(other.worst_sign):
            return True
        if self.held_nothing:
            return False  # what was recorded of it was recorded of nothing
        later = _later(self.next_test_due_on, other.next_test_due_on)
        no_longer_bad = other.due_code in BAD_READING and self.due_code not in BAD_READING
        kept = _later(self.dispose_on, other.dispose_on)
        hidden = _later(self.untested_due_on, other.untested_due_on) or _later(
            self.passed_due_on, other.passed_due_on
        )
        return later or no_longer_bad or kept or hidden or self._allows_more_than(other)

    def _allows_more_than(self, other: Standing) -> bool:
        pairs = ((self.levels, other.levels), (self.levels_long_after, other.levels_long_after))
        return any(
            RANK[level] < RANK[theirs.get(use, "use")]
            for ours, theirs in pairs
            for use, level in ours.items()
        )

    def plain(self) -> dict[str, Any]:
        """As JSON."""
        days = {name: day and day.isoformat() for name, day in self._days().items()}
        return {**asdict(self), **days}

    def _days(self) -> dict[str, date | None]:
        return {
            "next_test_due_on": self.next_test_due_on,
            "dispose_on": self.dispose_on,
            "untested_due_on": self.untested_due_on,
            "passed_due_on": self.passed_due_on,
        }


def _later(day: date | None, other: date | None) -> bool:
    """None is never."""
    return (day or date.max) > (other or date.max)


def _rank(sign: str) -> int:
    """Worst first; no sign comes last."""
    return SIGNS.index(sign) if sign in SIGNS else len(SIGNS)


def standings(container_ids: Iterable[int], now: datetime) -> dict[int, Standing]:
    """As stored, with the verdicts of today. The rows must be locked, or they may change at once."""
    found = gathered(containers_with(list(container_ids)))
    return {c.pk: _standing(c, found, now) for c in found.containers}


def _standing(container: Container, found: Gathered, now: datetime) -> Standing:
    facts, policy = found.facts[container.pk], found.policies[container.lab_id]
    today = now.astimezone(ZoneInfo(container.lab.time_zone)).date()
    levels = {} if facts is None else {use: v.level for use, v in verdicts(facts, policy, today).items()}
    hidden: dict[str, Any] = {}
    if facts is not None:
        bare = replace(facts, last_test=None, forecast_on=None)
        passed = replace(bare, last_test=NEGATIVE.on(today))
        long_after = verdicts(bare, policy, add_months(today, LONG_AFTER_MONTHS))
        hidden = {
            "untested_due_on": next_test(bare, policy).on,
            "passed_due_on": next_test(passed, policy).on,
            "levels_long_after": {use: said.level for use, said in long_after.items()},
        }
    return Standing(
        **hidden,
        next_test_due_on=container.next_test_due,
        due_code=container.due_code,
        worst_sign=container.worst_sign,
        dispose_on=container.dispose_on,
        levels=levels,
        held_nothing=facts is None,
    )


def require_signature(*, may_loosen: bool, reason: str, what: str) -> None:
    """Raises Denied unless a supervisor asks for it, InputError when they give no reason that says anything.

    what: words for people, as the subject of "makes a container look safer".
    """
    if not may_loosen:
        raise Denied(
            "",
            "loosening-not-signed",
            Phrase("{what} makes a container look safer than the records do.", what=what),
            Phrase(
                "Ask a supervisor to sign in and do it with a reason; a passed test needs nobody's leave."
            ),
        )
    checked_reason(reason, what=Phrase("{what} makes a container look safer.", what=what))


@contextmanager
def signed(
    containers: Iterable[Container],
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    what: str,
    may_loosen: bool,
    reason: str,
    always: bool = False,
) -> Iterator[None]:
    """Watch locked containers while facts change; whatever becomes milder needs a signature and is noted.

    Only inside a transaction, which a refusal rolls back. always: the first container needs a signature even
    when it looks as before, because a fact that spoke against it is taken away.
    Raises Denied, or InputError naming `reason`.
    """
    watched = list(containers)
    before = standings([held.pk for held in watched], now)
    yield
    after = standings([held.pk for held in watched], now)
    for place, held in enumerate(watched):
        if not after[held.pk].milder_than(before[held.pk]) and not (always and place == 0):
            continue
        require_signature(may_loosen=may_loosen, reason=reason, what=what)
        data = {"what": what, "reason": reason.strip()}
        change = {"from": before[held.pk].plain(), "to": after[held.pk].plain()}
        record(lab=lab, actor=actor, now=now, verb=VERB, subject=held, data={**data, **change})
