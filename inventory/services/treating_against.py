"""Treating a container that the verdict says to leave alone.

What has happened is recorded, what has not happened may be stopped: a treatment of today is refused at "do
not touch" unless it is said to be done already; one of a day gone by is booked. Either leaves an event, and
so does one at "do not use", which somebody trained may have been called for.
"""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from inventory.models import Container, Event, Lab, Treatment, User
from inventory.rules.advice import ADVICE
from inventory.rules.errors import Cause, Refusal
from inventory.rules.levels import LEVEL_WORDS, RANK
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict
from inventory.services.events import record
from inventory.services.facts import containers_with
from inventory.services.verdicts import USED_AGAINST, verdicts_of_many

NOT_TREATED = "not-to-be-treated"
OUR_RULE = "When a fact is missing, the worse is assumed: our choice, not published"
IF_DONE = Phrase(
    "If it has been done already, say so with “already_done” or its day: it is recorded with a warning."
)


def against_treating(held: Container, today: date) -> Verdict | None:
    """The verdict on opening a locked container, or taking from it, where it is left alone; else None."""
    found = verdicts_of_many(containers_with([held.pk]), today)[held.pk]
    said = max((found["open"], found["draw"]), key=lambda verdict: RANK[verdict.level])
    return said if said.level in ("do-not-use", "do-not-touch") else None


def refuse_untouchable(said: Verdict | None, held: Container, lab: Lab) -> None:
    """Raises Refusal with every reason when nobody may touch it."""
    if said is None or said.level != "do-not-touch":
        return
    emergency = ""
    if lab.emergency_text:
        emergency = Phrase("In an emergency: {words}", words=lab.emergency_text)
    causes = [
        Cause(
            r.code,
            Phrase("{code}: {words}", code=held.code, words=r.words),
            ADVICE[r.level],
            r.source or OUR_RULE,
        )
        for r in said.reasons
        if r.level == said.level
    ]
    detail = Phrase("{code}: {level}. Nothing was booked.", code=held.code, level=LEVEL_WORDS[said.level])
    remedy = Phrase.joined((ADVICE[said.level], IF_DONE, emergency))
    raise Refusal("container", NOT_TREATED, detail, remedy, causes)


def note_treated(
    said: Verdict | None, row: Treatment, *, lab: Lab, actor: User, now: datetime, today: date
) -> None:
    """Leave an event of a treatment that the verdict spoke against."""
    if said is None:
        return
    noon = datetime.combine(row.treated_on, time(12), tzinfo=ZoneInfo(lab.time_zone))
    against = [reason for reason in said.reasons if reason.level == said.level]
    data: dict[str, Any] = {
        "use": said.use,
        "level": said.level,
        "words": said.words,
        "reasons": [{"code": r.code, "words": r.words, "source": r.source} for r in against],
        "kind": row.kind,
        "treatment": row.pk,
        "happened_at": (now if row.treated_on == today else noon).isoformat(),
    }
    record(lab=lab, actor=actor, now=now, verb=USED_AGAINST, subject=row.container, data=data)


def spoke_against(row: Treatment) -> list[str]:
    """What the verdict said against a treatment when it was booked, for people; none when nothing did."""
    told = Event.objects.filter(verb=USED_AGAINST, subject_kind="container", subject_id=row.container_id)
    event = told.filter(data__treatment=row.pk).first()
    if event is None:
        return []
    reasons = [str(reason["words"]) for reason in event.data["reasons"]]
    return [f"It was treated against its verdict: {event.data['words']}.", *reasons]
