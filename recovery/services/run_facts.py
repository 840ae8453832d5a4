"""Facts of a run: told when they are known, late too, since they move no volume; the last told counts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Lab, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.places import lock_runs
from recovery.models import Run, RunFact, RunField
from recovery.rules.run_facts import FactRead, read_fact
from recovery.rules.shipped_words import shipped
from recovery.selectors.kinds import fields_of
from recovery.selectors.run_facts import newest
from recovery.services.kinds import field_data
from recovery.services.told_times import overtaken

FACTS_MAX = 50
TOLD = "run-facts-told"
TAKEN_BACK = FactRead({})


def tell(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    facts: Mapping[str, Any],
    told_at: datetime | None = None,
) -> list[RunFact]:
    """Write down facts by the keys of their fields; None takes back what was told before.

    Also of a run that is closed, where the event says that it was told late. told_at: when it was told, if
    it arrives late. Where something newer was told of a field since, that stands: the event keeps what came
    late and names it, and no row is made. Returns the rows made. Raises InputError naming `facts.KEY` with
    the bounds of the field in its remedy; Conflict when nothing is there to be taken back.
    """
    if not facts or len(facts) > FACTS_MAX:
        raise InputError(
            "facts",
            "missing",
            Phrase("Tell 1 to {facts_max} facts.", facts_max=FACTS_MAX),
            Phrase("Name them by their fields."),
        )
    known = {row.key: row for row in fields_of(lab)}
    read = {key: _read(known.get(key), key, raw) for key, raw in facts.items()}
    with transaction.atomic():
        lock_runs([run.place_id])
        held = Run.objects.get(pk=run.pk)
        newer = _newer(held, [known[key] for key in read], told_at)
        counted = {key: fact for key, fact in read.items() if key not in newer}
        for key in (key for key, fact in counted.items() if fact is TAKEN_BACK):
            _check_told(held, known[key])
        rows = [_row(held, known[key], fact, actor, now) for key, fact in counted.items()]
        made = RunFact.objects.bulk_create(rows)
        if made:
            Run.objects.filter(pk=held.pk).update(version=F("version") + 1)
        said: dict[str, Any] = {"facts": {key: fact.as_entered.get("text") for key, fact in read.items()}}
        said |= {"late": True} if held.closed_at is not None else {}
        said |= {"told_at": told_at.isoformat()} if told_at is not None else {}
        said |= {"overtaken": newer} if newer else {}
        record(lab=lab, actor=actor, now=now, verb=TOLD, subject=held, data=said)
    return made


def _newer(run: Run, fields: list[RunField], told_at: datetime | None) -> list[str]:
    """Keys of those fields of which something was told after `told_at`. Only with the run locked."""
    if told_at is None:
        return []
    rows = newest(RunFact.objects.filter(run=run, field__in=fields)).values_list("field__key", "recorded_at")
    return sorted(key for key, at in rows if overtaken(run, TOLD, at, told_at))


def _read(row: RunField | None, key: str, raw: Any) -> FactRead:
    if row is None or (row.ended_at is not None and raw is not None):
        raise InputError(
            f"facts.{key[:60]}",
            "unknown-field",
            Phrase("There is no field “{key}” in use.", key=key[:60]),
            Phrase("See run-fields/."),
        )
    return TAKEN_BACK if raw is None else read_fact(field_data(row), raw, field=f"facts.{key}")


def _check_told(run: Run, row: RunField) -> None:
    last = RunFact.objects.filter(run=run, field=row).order_by("id").last()
    if last is None or not last.as_entered:
        raise Conflict(
            f"facts.{row.key}",
            "nothing-told",
            Phrase("Nothing is told of “{name}”.", name=shipped(row.name)),
            Phrase("Leave it out."),
        )


def _row(run: Run, field: RunField, fact: FactRead, actor: User, now: datetime) -> RunFact:
    return RunFact(
        run=run,
        field=field,
        as_entered=fact.as_entered,
        number=fact.number,
        u_number=fact.u_number,
        actor=actor,
        recorded_at=now,
    )
