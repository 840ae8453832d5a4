"""Tightening is free, loosening is signed: only a supervisor, with a reason, makes a container look safer.

A passed test, a first opening and new content are facts of their own; what is watched here is a record that
is changed afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

from inventory.models import Container, Lab, User
from inventory.rules.errors import Denied, InputError
from inventory.services.events import record
from inventory.services.safety import SIGNS

VERB = "loosened"
BAD_READING = ("reading-at-or-above-level", "reading-not-decisive")


@dataclass(frozen=True)
class Standing:
    """What the shelf tells of a container. next_test_due_on None: no test is needed, the mildest of all."""

    next_test_due_on: date | None
    due_code: str
    worst_sign: str

    def milder_than(self, other: Standing) -> bool:
        """Later, no longer bad, or without the sign that was the worst."""
        later = (self.next_test_due_on or date.max) > (other.next_test_due_on or date.max)
        no_longer_bad = other.due_code in BAD_READING and self.due_code not in BAD_READING
        return later or no_longer_bad or _rank(self.worst_sign) > _rank(other.worst_sign)

    def plain(self) -> dict[str, Any]:
        """As JSON."""
        on = self.next_test_due_on
        return {**asdict(self), "next_test_due_on": on and on.isoformat()}


def _rank(sign: str) -> int:
    """Worst first; no sign comes last."""
    return SIGNS.index(sign) if sign in SIGNS else len(SIGNS)


def standing_of(container_id: int) -> Standing:
    """As stored. The row must be locked, or it may change at once."""
    columns = ("next_test_due", "due_code", "worst_sign")
    return Standing(*Container.objects.values_list(*columns).get(pk=container_id))


def require_signature(*, may_loosen: bool, reason: str, what: str) -> None:
    """Raises Denied unless a supervisor asks for it, InputError when they give no reason.

    what: words for people, as the subject of "makes a container look safer".
    """
    if not may_loosen:
        raise Denied(
            "",
            "loosening-not-signed",
            f"{what} makes a container look safer than the records do.",
            "Ask a supervisor to sign in and do it with a reason; a passed test needs nobody's leave.",
        )
    if not reason.strip():
        raise InputError(
            "reason", "missing", f"{what} makes a container look safer.", "Say why that is right."
        )


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
    before = {held.pk: standing_of(held.pk) for held in watched}
    yield
    for place, held in enumerate(watched):
        after = standing_of(held.pk)
        if not after.milder_than(before[held.pk]) and not (always and place == 0):
            continue
        require_signature(may_loosen=may_loosen, reason=reason, what=what)
        data = {"what": what, "reason": reason.strip()}
        change = {"from": before[held.pk].plain(), "to": after.plain()}
        record(lab=lab, actor=actor, now=now, verb=VERB, subject=held, data={**data, **change})
