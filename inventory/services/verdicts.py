"""May this be done with this bottle today? Asked of the records, answered by `rules.verdict` alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from inventory.models import Container, Lab, User
from inventory.rules.levels import USES, Level, Use
from inventory.rules.retest import Due, next_test
from inventory.rules.verdict import Verdict, VerdictReason, verdicts
from inventory.services.events import record
from inventory.services.facts import Gathered, containers_with, gathered
from inventory.services.readings import lock_containers

USED_AGAINST = "used-against-verdict"
# Drawn all the same, it is told: what happened is on record, and so is what spoke against it.
AGAINST: tuple[Level, ...] = ("test-first", "do-not-use", "do-not-touch")
OUR_RECORD = "this lab's own record"
# What may be done with a container that never held anything.
_EMPTY_USES: frozenset[Use] = frozenset({"keep", "open", "move"})


def verdicts_of_many(containers: Sequence[Container], today: date) -> dict[int, Mapping[Use, Verdict]]:
    """The verdicts on containers that come with lab, policy, lot and solvent, by id."""
    found = gathered(containers)
    return {c.pk: verdicts_in(found, c, today) for c in containers}


def verdicts_of(container: Container, today: date) -> Mapping[Use, Verdict]:
    """The verdict for every use."""
    return verdicts_of_many([container], today)[container.pk]


def judged(container: Container, today: date) -> tuple[Due | None, Mapping[Use, Verdict]]:
    """The next test with its reasons, and the verdict for every use, from one look at the records."""
    return judged_in(gathered([container]), today)


def judged_in(found: Gathered, today: date) -> tuple[Due | None, Mapping[Use, Verdict]]:
    """The same of the one container that was gathered."""
    (container,) = found.containers
    facts = found.facts[container.pk]
    due = None if facts is None else next_test(facts, found.policies[container.lab_id])
    return due, verdicts_in(found, container, today)


def verdicts_in(found: Gathered, container: Container, today: date) -> Mapping[Use, Verdict]:
    """The verdicts on one of the containers gathered.

    An empty one is judged by what was in it last: peroxides stay behind. One that is gone, or never held
    anything, has an answer of its own.
    """
    facts = found.facts[container.pk]
    if container.discarded_at is not None:
        reason = _own("discarded", "It has been discarded.", "discarded", "do-not-use")
        return {use: _answer(use, reason, allowed=False) for use in USES}
    if facts is None:
        reason = _own("nothing-in-it", "It never held anything by the records.", "no content", "use")
        return {use: _answer(use, reason, allowed=use in _EMPTY_USES) for use in USES}
    return verdicts(facts, found.policies[container.lab_id], today)


def _own(code: str, words: str, fact: str, level: Level) -> VerdictReason:
    return VerdictReason(code, words, fact, OUR_RECORD, level)


def _answer(use: Use, reason: VerdictReason, *, allowed: bool) -> Verdict:
    return Verdict(use, reason.level, allowed, None, (reason,), ("local-code",))


def drawing_verdict(container: Container, day: date) -> Verdict | None:
    """The verdict on drawing from a container that day; None when it is "use", which is mostly stored.

    Only inside a transaction. The stored day is taken as it was read with the container: what was recorded
    of it in the same moment was not there to be seen by whoever drew.
    """
    if container.drawable_until is not None and day <= container.drawable_until:
        return None
    lock_containers([container.pk])
    found = verdicts_of_many(containers_with([container.pk]), day)[container.pk]["draw"]
    return None if found.level == "use" else found


def note_use(
    found: Verdict | None,
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    kind: str,
    happened_at: datetime,
) -> None:
    """Leave an event when something was taken out although the verdict spoke against it."""
    if found is None or found.level not in AGAINST:
        return
    against = [reason for reason in found.reasons if reason.level != "use"]
    data: dict[str, Any] = {
        "use": found.use,
        "level": found.level,
        "words": found.words,
        "reasons": [{"code": r.code, "words": r.words, "source": r.source} for r in against],
        "kind": kind,
        "happened_at": happened_at.isoformat(),
    }
    record(lab=lab, actor=actor, now=now, verb=USED_AGAINST, subject=container, data=data)
