"""What a lab holds solvent to for itself: stricter than the shipped figures is free, looser is signed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory.models import Lab, Solvent, User
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from recovery.models import QualityLimit
from recovery.rules.fitness import held_to
from recovery.rules.quality import Range, looser, reference, short
from recovery.rules.quality_data import PROPERTY_KEYS, UNITS, WHATS, Need, load_uses
from recovery.selectors.quality import TIMES, as_range, limits_for, sample_of, standing, times_limit

KINDS = (*WHATS, TIMES)
ALL_SOLVENTS = ("water", TIMES)
TIMES_MAX = 1000
ANY = 0  # the id of no solvent
LOOSER = Phrase("A looser limit of quality lets more pass.")
CHANGED = ("lowest", "highest", "refuses", "source")


def limit_add(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    what: str,
    solvent: Solvent | None = None,
    use: str = "",
    lowest: Decimal | None = None,
    highest: Decimal | None = None,
    refuses: bool = False,
    source: str,
    reason: str = "",
    may_loosen: bool = False,
) -> QualityLimit:
    """Hold a property of a solvent, or of any, to a range, for one use or all, in place of the shipped one.

    In the unit of the property at 20 °C or 101.325 kPa. "times-distilled" has a highest: how often. Raises
    InputError naming the field, Conflict when one like it holds, Denied for a looser one without a signature.
    """
    row = QualityLimit(lab=lab, solvent=solvent, use=use, what=what, lowest=lowest, highest=highest)
    row.refuses, row.source, row.actor, row.created_at = refuses, source.strip(), actor, now
    row.unit = UNITS.get(what, "")
    _check(row)
    with transaction.atomic():
        Lab.objects.select_for_update(of=("self",), no_key=True).get(pk=lab.pk)
        if standing(lab).filter(solvent=solvent, use=use, what=what).exists():
            raise Conflict(
                "what", "limit-there", Phrase("A limit like that holds already."), Phrase("Change that one.")
            )
        if any(looser(as_range(row), now_held) for now_held in _held_now(row)) or _lets_pass(row):
            _sign(may_loosen, reason)
        row.save()
        data = _plain(row) | {"reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="quality-limit-added", subject=row, data=data)
    return row


def limit_change(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    limit: QualityLimit,
    changes: Mapping[str, Any],
    reason: str = "",
    may_loosen: bool = False,
) -> QualityLimit:
    """Change what is given of `CHANGED`. Looser, or a warning in place of a refusal, needs a signature."""
    with transaction.atomic():
        Lab.objects.select_for_update(of=("self",), no_key=True).get(pk=lab.pk)
        held = _locked(limit)
        before, was = _plain(held), as_range(held)
        milder = held.refuses and not changes.get("refuses", True)
        for name in CHANGED:
            if name in changes:
                setattr(held, name, changes[name])
        _check(held)
        if milder or looser(as_range(held), was):
            _sign(may_loosen, reason)
        after = _plain(held)
        if after != before:
            held.version += 1
            held.save()
            said = {"before": before, "after": after, "reason": reason.strip()}
            record(lab=lab, actor=actor, now=now, verb="quality-limit-changed", subject=held, data=said)
    return held


def limit_end(
    *, lab: Lab, actor: User, now: datetime, limit: QualityLimit, reason: str, may_loosen: bool
) -> QualityLimit:
    """A limit holds no longer; the shipped figure, if any, counts again. Raises Denied, InputError."""
    with transaction.atomic():
        Lab.objects.select_for_update(of=("self",), no_key=True).get(pk=lab.pk)
        held = _locked(limit)
        _sign(may_loosen, reason)
        held.ended_at, held.version = now, held.version + 1
        held.save(update_fields=["ended_at", "version"])
        said = _plain(held) | {"reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="quality-limit-ended", subject=held, data=said)
    return held


def _held_now(row: QualityLimit) -> Iterator[Range | None]:
    """What holds of that property for each use that the new limit is for."""
    if row.what == TIMES:
        now_held = _times_now(row)
        yield None if now_held is None else as_range(now_held)
        return
    solvent, own = row.solvent, list(standing(row.lab))
    for key, use in load_uses().items():
        if row.use in ("", key):
            need = next((need for need in use.needs if need.what == row.what), Need(row.what))  # type: ignore[arg-type]
            limits = limits_for(own, solvent.pk if solvent else ANY, key)
            ranges = {what: as_range(limit) for what, limit in limits.items()}
            yield held_to(need, sample_of(solvent), ranges) if solvent else _of_any(need, ranges)
    if solvent is not None and not row.use:
        yield reference(row.what, sample_of(solvent))  # type: ignore[arg-type]  # _check knows it


def _of_any(need: Need, limits: Mapping[str, Range]) -> Range | None:
    """What is the same for every solvent: only what has a highest of its own."""
    shipped = None if need.highest is None else Range(None, need.highest, "shipped")
    return limits.get(need.what) or shipped


def _times_now(row: QualityLimit) -> QualityLimit | None:
    """The limit on how often that holds where the new one is to hold."""
    return None if row.solvent is None else times_limit(standing(row.lab), row.solvent.pk)


def _lets_pass(row: QualityLimit) -> bool:
    """Whether it only warns where another one refuses."""
    if row.what != TIMES or row.refuses:
        return False
    now_held = _times_now(row)
    return now_held is not None and now_held.refuses


def _check(row: QualityLimit) -> None:
    if row.what not in KINDS:
        raise InputError(
            "what",
            "unknown-property",
            Phrase("“{what}” is not known.", what=row.what),
            Phrase("Use {known}.", known=", ".join(KINDS)),
        )
    if row.use and row.use not in load_uses():
        raise InputError(
            "use",
            "unknown-use",
            Phrase("“{use}” is not known.", use=row.use),
            Phrase("Use {known}.", known=", ".join(load_uses())),
        )
    if row.solvent is None and row.what not in ALL_SOLVENTS:
        raise InputError(
            "solvent",
            "missing",
            Phrase("The {what} differs from solvent to solvent.", what=PROPERTY_KEYS.get(row.what, row.what)),
            Phrase("Name the solvent."),
        )
    if not row.source:
        raise InputError(
            "source",
            "missing",
            Phrase("A limit needs its source."),
            Phrase("Say where the figure comes from."),
        )
    _check_ends(row)


def _check_ends(row: QualityLimit) -> None:
    if row.lowest is None and row.highest is None:
        raise InputError(
            "highest", "missing", Phrase("A limit has a lowest or a highest."), Phrase("Give one.")
        )
    for name in ("lowest", "highest"):
        value = getattr(row, name)
        if value is not None and (not value.is_finite() or abs(value) >= 10**9):
            raise InputError(name, "out-of-range", Phrase("This figure cannot be kept."), Phrase("Check it."))
    if row.lowest is not None and row.highest is not None and row.lowest > row.highest:
        raise InputError(
            "highest", "below-lowest", Phrase("The highest is below the lowest."), Phrase("Swap them.")
        )
    if row.what == TIMES:
        most = row.highest
        if (
            row.lowest is not None
            or row.use
            or most is None
            or most != int(most)
            or not 0 <= most <= TIMES_MAX
        ):
            raise InputError(
                "highest",
                "not-whole",
                Phrase("How often is a whole number up to {times_max}, for every use.", times_max=TIMES_MAX),
                Phrase("Give “highest” alone, as “5”."),
            )


def _sign(may_loosen: bool, reason: str) -> None:
    if not may_loosen:
        raise Denied(
            "",
            "loosening-not-signed",
            LOOSER,
            Phrase("Ask a supervisor to sign in and do it with a reason."),
        )
    checked_reason(reason, what=LOOSER)


def _locked(limit: QualityLimit) -> QualityLimit:
    held = QualityLimit.objects.select_for_update(of=("self",)).get(pk=limit.pk)
    if held.ended_at is not None:
        raise Conflict(
            "limit", "limit-ended", Phrase("This limit holds no longer."), Phrase("Add another one.")
        )
    return held


def _plain(row: QualityLimit) -> dict[str, Any]:
    numbers = {"lowest": row.lowest, "highest": row.highest}
    return {
        "what": row.what,
        "solvent": row.solvent_id,
        "use": row.use,
        **{name: None if value is None else short(Decimal(value)) for name, value in numbers.items()},
        "refuses": row.refuses,
        "source": row.source,
    }
