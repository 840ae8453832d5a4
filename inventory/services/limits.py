"""Storage limits of a lab: from the shipped table or its own; stricter is free, looser is signed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory.models import Lab, Location, StorageLimit, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.storage import (
    Reduction,
    Template,
    check_words,
    limit_of,
    load_reductions,
    load_templates,
)
from inventory.rules.volume import MAX_VOLUME_UL
from inventory.selectors.storage import above, as_text
from inventory.services.events import record
from inventory.services.loosening import require_signature


@dataclass(frozen=True, kw_only=True)
class OwnLimit:
    """A limit in a lab's own words. code: the rule it is from; source: where that can be read."""

    name: str
    limit_ul: int
    code: str
    source: str
    measure: str = "total"
    scheme: str = "ghs"
    categories: Sequence[str] = ()
    materials: Sequence[str] = ()
    effect: str = "warn"
    outside_cabinets: bool = False


_NEEDED = {"name": Phrase("name"), "code": Phrase("code"), "source": Phrase("source")}


def templates_named(name: str) -> list[Template]:
    """The row of that key, or all rows of that set. Raises InputError naming `template`."""
    rows = load_templates()
    found = [rows[name]] if name in rows else [row for row in rows.values() if row.set == name]
    if not found:
        raise InputError(
            "template",
            "unknown-template",
            Phrase("“{name}” is no row and no set.", name=name),
            Phrase("See storage-limit-templates/."),
        )
    return found


def reduction_named(name: str) -> Reduction:
    """Raises InputError naming `reduction`."""
    found = load_reductions().get(name)
    if found is None:
        known = ", ".join(load_reductions())
        raise InputError(
            "reduction",
            "unknown-reduction",
            Phrase("“{word}” is not known.", word=name),
            Phrase("Use {known}.", known=known),
        )
    return found


def limits_apply(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    location: Location,
    templates: Sequence[Template],
    area_m2: Decimal | None = None,
    reduction: Reduction | None = None,
    effect: str = "",
    name: str = "",
) -> list[StorageLimit]:
    """Let rows of the shipped table hold in a location and below. effect: for all, instead of their own.

    name: what the lab calls it, where it is one row; raises InputError (`template.name`) for several.
    Rows of a set that do not go by area leave `area_m2` and `reduction` aside. Raises Conflict for a row that
    holds there already.
    """
    if name.strip() and len(templates) > 1:
        words = Phrase("These are {count} limits, each with a name of its own.", count=len(templates))
        raise InputError(
            "template.name", "several", words, Phrase("Leave the name out, or give one of their keys.")
        )
    by_area = any(row.per_100_ft2 for row in templates)
    made = []
    for row in templates:
        area = area_m2 if row.per_100_ft2 or not by_area else None
        less = reduction if row.per_100_ft2 or not by_area else None
        note = f"; {less.name}: {less.keep_percent} %, {less.source}" if less else ""
        own = OwnLimit(
            name=name.strip() or row.name,
            limit_ul=limit_of(row, area_m2=area, reduction=less),
            code=row.code,
            source=f"{row.source}{note}" + (f"; floor area {area} m²" if area else ""),
            measure=row.measure,
            scheme=row.scheme,
            categories=sorted(row.categories),
            materials=sorted(row.materials),
            effect=effect or row.effect,
            outside_cabinets=row.outside_cabinets,
        )
        made.append((row.key, own))
    return _add(lab, actor, now, location, made)


def limit_own(*, lab: Lab, actor: User, now: datetime, location: Location, limit: OwnLimit) -> StorageLimit:
    """Let a limit of the lab's own hold in a location and below. Raises InputError naming the field."""
    for name in _NEEDED:
        if not getattr(limit, name).strip():
            raise InputError(
                name,
                "missing",
                Phrase("A limit needs its {name}.", name=_NEEDED[name]),
                Phrase("Say where the figure comes from."),
            )
    check_words(limit.measure, limit.effect, limit.scheme, limit.categories, limit.materials)
    if limit.materials and limit.measure != "container":
        raise InputError(
            "materials",
            "not-by-material",
            Phrase("Only the size of a container goes by material."),
            Phrase("Leave it out."),
        )
    if limit.measure == "waste" and limit.categories:
        raise InputError(
            "categories", "not-by-category", Phrase("Waste is not told by category."), Phrase("Leave it out.")
        )
    return _add(lab, actor, now, location, [("", limit)])[0]


def _add(
    lab: Lab, actor: User, now: datetime, location: Location, wanted: Iterable[tuple[str, OwnLimit]]
) -> list[StorageLimit]:
    made = []
    with transaction.atomic():
        held = Location.objects.select_for_update(of=("self",), no_key=True).get(pk=location.pk)
        _check_location(held)
        for key, own in wanted:
            if key and StorageLimit.objects.filter(location=held, key=key, ended_at=None).exists():
                raise Conflict(
                    "template",
                    "limit-there",
                    Phrase("“{name}” holds in {place} already.", name=own.name, place=held.name),
                )
            if own.outside_cabinets and _in_cabinet(held):
                raise InputError(
                    "template",
                    "in-a-cabinet",
                    Phrase("{name} is or lies in a cabinet.", name=held.name),
                    Phrase("Apply it to the room."),
                )
            row = StorageLimit.objects.create(
                lab=lab,
                location=held,
                key=key,
                name=own.name,
                measure=own.measure,
                scheme=own.scheme,
                categories=as_text(own.categories),
                materials=as_text(own.materials),
                limit_ul=check_size(own.limit_ul),
                outside_cabinets=own.outside_cabinets,
                effect=own.effect,
                code=own.code,
                source=own.source,
                created_at=now,
            )
            data = {"location": held.pk, **_plain(row)}
            record(lab=lab, actor=actor, now=now, verb="limit-added", subject=row, data=data)
            made.append(row)
    return made


def _in_cabinet(held: Location) -> bool:
    return Location.objects.filter(pk__in=above(held.pk), kind="cabinet").exists()


def check_size(limit_ul: int) -> int:
    """Raises InputError naming `limit` unless it is above zero and a volume that is kept."""
    if not 0 < limit_ul <= 100 * MAX_VOLUME_UL:
        raise InputError(
            "limit",
            "out-of-range",
            Phrase("A limit is above zero, up to 1000 m³."),
            Phrase("Check the figure."),
        )
    return limit_ul


def _check_location(held: Location) -> None:
    if held.ended_at is not None:
        raise Conflict("location", "location-ended", Phrase("{name} is no longer in use.", name=held.name))


def limit_change(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    limit: StorageLimit,
    changes: Mapping[str, Any],
    reason: str = "",
    may_loosen: bool = False,
) -> StorageLimit:
    """Change what is given of name, limit_ul, effect and source. Stricter is free.

    A larger figure, or a warning instead of a refusal, needs a signature. A changed figure is the lab's own
    from then on. Raises InputError, Conflict, Denied.
    """
    with transaction.atomic():
        held = _locked(limit)
        before = _plain(held)
        if "limit_ul" in changes:
            check_size(changes["limit_ul"])
        looser = changes.get("limit_ul", 0) > held.limit_ul or (
            held.effect == "refuse" and changes.get("effect") == "warn"
        )
        if looser:
            require_signature(may_loosen=may_loosen, reason=reason, what=Phrase("A looser storage limit"))
        if held.key and changes.get("limit_ul", held.limit_ul) != held.limit_ul:
            held.key, held.source = "", f"{held.source}; figure changed here"
        for name in ("name", "limit_ul", "effect", "source"):
            if name in changes:
                setattr(held, name, changes[name])
        if _plain(held) == before:
            return held
        held.version += 1
        held.save()
        verb = "limit-loosened" if looser else "limit-changed"
        data = {"before": before, "after": _plain(held), "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb=verb, subject=held, data=data)
    return held


def limit_end(
    *, lab: Lab, actor: User, now: datetime, limit: StorageLimit, reason: str, may_loosen: bool
) -> StorageLimit:
    """A limit holds no longer. Raises Denied unless a supervisor asks, InputError without a reason."""
    with transaction.atomic():
        held = _locked(limit)
        require_signature(may_loosen=may_loosen, reason=reason, what=Phrase("Ending a storage limit"))
        held.ended_at, held.version = now, held.version + 1
        held.save(update_fields=["ended_at", "version"])
        data = {**_plain(held), "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="limit-ended", subject=held, data=data)
    return held


def _locked(limit: StorageLimit) -> StorageLimit:
    held = StorageLimit.objects.select_for_update(of=("self",)).get(pk=limit.pk)
    if held.ended_at is not None:
        raise Conflict(
            "limit",
            "limit-ended",
            Phrase("“{name}” holds no longer.", name=held.name),
            Phrase("Add another limit."),
        )
    return held


def _plain(row: StorageLimit) -> dict[str, Any]:
    return {name: getattr(row, name) for name in ("name", "limit_ul", "effect", "code", "source", "key")}
