"""Lots of test strips and solutions for testing: until when they are good, and how strong they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from inventory.models import Container, Lab, PeroxideTest, Reagent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.methods import METHODS
from inventory.rules.phrases import Phrase
from inventory.rules.reagent_life import LIVES, REAGENT_METHODS, UseBy, use_by
from inventory.services import safety
from inventory.services.events import record
from inventory.services.loosening import VERB, require_signature
from inventory.services.readings import blends_of

SOLUTION_METHODS = ("iodometric-titration", "peroxide-number")
EDITABLE = ("name", "maker_lot", "expiry_on", "opened_on", "standardised_on", "note", "strength")
STORED_STEP = Decimal("0.000001")


@dataclass(frozen=True)
class Strength:
    """Concentration in mol/L and its standard uncertainty; None: nobody wrote it down."""

    mol_per_l: Decimal
    u_mol_per_l: Decimal | None = None

    def columns(self) -> dict[str, Decimal | None]:
        """As stored: the uncertainty rounded up, so that it never shrinks."""
        u = self.u_mol_per_l
        return {
            "concentration_mol_per_l": self.mol_per_l.quantize(STORED_STEP, ROUND_HALF_EVEN),
            "u_concentration_mol_per_l": None if u is None else u.quantize(STORED_STEP, ROUND_CEILING),
        }


NO_STRENGTH: dict[str, Decimal | None] = {
    "concentration_mol_per_l": None,
    "u_concentration_mol_per_l": None,
}


def use_by_of(reagent: Reagent) -> UseBy:
    """The last day on which it may be relied on, with what decides it."""
    return use_by(
        reagent.method,
        expiry_on=reagent.expiry_on,
        opened_on=reagent.opened_on,
        standardised_on=reagent.standardised_on,
    )


def reagent_add(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    method: str,
    name: str,
    maker_lot: str = "",
    expiry_on: date | None = None,
    opened_on: date | None = None,
    standardised_on: date | None = None,
    strength: Strength | None = None,
    note: str = "",
) -> Reagent:
    """Enter a lot of strips or a bottle of solution. Raises InputError naming the field."""
    if method not in REAGENT_METHODS:
        raise InputError(
            "method",
            "no-reagent",
            Phrase("That method needs none."),
            Phrase("Use one of: {known}.", known=", ".join(REAGENT_METHODS)),
        )
    if not name.strip():
        raise InputError(
            "name", "missing", Phrase("It needs a name."), Phrase("Write what stands on the tin or bottle.")
        )
    reagent = Reagent(
        lab=lab,
        method=method,
        name=name.strip(),
        maker_lot=maker_lot.strip(),
        expiry_on=expiry_on,
        opened_on=opened_on,
        standardised_on=standardised_on,
        note=note,
        actor=actor,
        created_at=now,
        **(NO_STRENGTH if strength is None else strength.columns()),
    )
    _check(reagent, lab, now)
    reagent.use_by_on = use_by_of(reagent).on
    with transaction.atomic():
        reagent.save(force_insert=True)
        record(lab=lab, actor=actor, now=now, verb="reagent-added", subject=reagent, data={"name": name})
    return reagent


def _check(reagent: Reagent, lab: Lab, now: datetime) -> None:
    today = now.astimezone(ZoneInfo(lab.time_zone)).date()
    for field in ("opened_on", "standardised_on"):
        day = getattr(reagent, field)
        if day is not None and day > today:
            raise InputError(
                field, "in-the-future", Phrase("That day has not come yet."), Phrase("Check the date.")
            )
    molar, u = reagent.concentration_mol_per_l, reagent.u_concentration_mol_per_l
    strips = reagent.method not in SOLUTION_METHODS
    if strips and (molar is not None or reagent.standardised_on is not None):
        field = "concentration" if molar is not None else "standardised_on"
        raise InputError(
            field, "does-not-apply", Phrase("Only a titration solution has one."), Phrase("Leave it out.")
        )
    if molar is not None and (molar <= 0 or (u is not None and u >= molar)):
        raise InputError(
            "concentration",
            "out-of-range",
            Phrase("It is too weak, or too uncertain."),
            Phrase("Check number and unit."),
        )


def reagent_edit(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    reagent: Reagent,
    changes: Mapping[str, Any],
    reason: str = "",
    may_loosen: bool = False,
) -> Reagent:
    """Change what is given of `EDITABLE`; `strength` is a Strength or None.

    A date that makes it last longer than before needs `may_loosen` and a reason: tests that did not count
    would count. Raises Denied, InputError, Conflict.
    """
    with transaction.atomic():
        held = Reagent.objects.select_for_update(of=("self",)).get(pk=reagent.pk, lab=lab)
        _check_open(held)
        before = {name: getattr(held, name) for name in (*_COLUMNS, "use_by_on")}
        _apply(held, changes)
        _check(held, lab, now)
        held.use_by_on = use_by_of(held).on
        after = {name: getattr(held, name) for name in before}
        changed = {name: value for name, value in after.items() if value != before[name]}
        if not changed:
            return held
        _check_strength_unused(held, changed)
        _sign(held, before, after, lab, actor, now, reason, may_loosen)
        held.version += 1
        held.save(update_fields=[*changed, "version"])
        data = {"before": _plain(before, changed), "after": _plain(after, changed), "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="reagent-edited", subject=held, data=data)
        if "use_by_on" in changed:
            _tests_count_anew(held, now)
    return held


_COLUMNS = (
    "name", "maker_lot", "expiry_on", "opened_on", "standardised_on", "note", "concentration_mol_per_l",
    "u_concentration_mol_per_l",
)  # fmt: skip


def _check_open(held: Reagent) -> None:
    if held.ended_at is not None:
        raise Conflict(
            "reagent",
            "reagent-ended",
            Phrase("{name} was used up or thrown away.", name=held.name),
            Phrase("Enter a new one."),
        )


def _apply(held: Reagent, changes: Mapping[str, Any]) -> None:
    for name in EDITABLE:
        if name not in changes:
            continue
        value = changes[name]
        if name == "strength":
            for column, part in (NO_STRENGTH if value is None else value.columns()).items():
                setattr(held, column, part)
        else:
            setattr(held, name, value.strip() if isinstance(value, str) else value)
    if not held.name:
        raise InputError(
            "name", "missing", Phrase("It needs a name."), Phrase("Write what stands on the tin or bottle.")
        )


def _check_strength_unused(held: Reagent, changed: Mapping[str, Any]) -> None:
    """Results that were worked out with it stand: another strength is another solution."""
    other = "concentration_mol_per_l" in changed or "u_concentration_mol_per_l" in changed
    if other and PeroxideTest.objects.filter(reagent=held).exists():
        raise Conflict(
            "concentration",
            "used-already",
            Phrase("Tests were worked out with the strength of {name}.", name=held.name),
            Phrase("Enter the solution anew with its new strength, and end this one."),
        )


def _sign(
    held: Reagent,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    lab: Lab,
    actor: User,
    now: datetime,
    reason: str,
    may_loosen: bool,
) -> None:
    """A later end, or none, is loosening: of the maker's date as of our own."""
    later = [n for n in ("expiry_on", "use_by_on") if (after[n] or date.max) > (before[n] or date.max)]
    if not later:
        return
    what = Phrase("A later date for strips or a solution")
    require_signature(may_loosen=may_loosen, reason=reason, what=what)
    change = {"from": _plain(before, later), "to": _plain(after, later)}
    data = {"what": what, "reason": reason.strip(), **change}
    record(lab=lab, actor=actor, now=now, verb=VERB, subject=held, data=data)


def _plain(facts: Mapping[str, Any], names: Any) -> dict[str, Any]:
    return {name: None if facts[name] is None else str(facts[name]) for name in names}


def _tests_count_anew(held: Reagent, now: datetime) -> None:
    """What was tested with it is judged again: tests after its last day clear no container."""
    tests = PeroxideTest.objects.filter(reagent=held)
    lots: set[int] = set()
    for lot_id in set(tests.values_list("lot_id", flat=True)):
        lots |= blends_of(lot_id)
    touched = Container.objects.filter(Q(lot_id__in=lots) | Q(pk__in=tests.values("container_id")))
    safety.refresh_all(list(touched.distinct().order_by("place_id")), now)


def reagent_end(*, lab: Lab, actor: User, now: datetime, reagent: Reagent, reason: str = "") -> Reagent:
    """Used up or thrown away: no test after today names it. For good."""
    with transaction.atomic():
        held = Reagent.objects.select_for_update(of=("self",)).get(pk=reagent.pk, lab=lab)
        _check_open(held)
        held.ended_at, held.version = now, held.version + 1
        held.save(update_fields=["ended_at", "version"])
        data = {"reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="reagent-ended", subject=held, data=data)
    return held


def keeps_words(method: str) -> list[dict[str, str]]:
    """How long what a method needs is kept after opening or standardising, for people."""
    return [{"words": life.words, "source": life.source} for life in LIVES.get(method, ())]


def needs_reagent(method: str) -> str:
    """What is wanted for a method, as "strip lot"; "" for none."""
    return METHODS[method].reagent
