"""What an alert is about, in words that a person without the program open understands.

Each kind of subject has one function that looks many up at once; another app registers its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from inventory.models import Alert, Container, Location, Reagent, Solvent, StockLevel, StorageLimit
from inventory.models import WasteContainer as Waste
from inventory.rules.phrases import Phrase
from inventory.rules.table_words import table_words


@dataclass(frozen=True, slots=True)
class Subject:
    """name: what it is. place: where it is; empty when that is not recorded or makes no sense.

    code: of a container, or of one for waste. at: the id of the place or solvent whose page tells of it.
    """

    name: str
    place: str = ""
    code: str = ""
    at: int | None = None


Look = Callable[[Iterable[int]], Mapping[int, Subject]]
_kinds: dict[str, Look] = {}


def register(kind: str, look: Look) -> None:
    """Say how subjects of one kind are named; safe to repeat."""
    _kinds[kind] = look


def subjects_of(alerts: Iterable[Alert]) -> dict[int, Subject]:
    """The subject of each alert, by the alert's id, in one query per kind."""
    wanted: defaultdict[str, dict[int, list[int]]] = defaultdict(dict)
    for alert in alerts:
        wanted[alert.subject_kind].setdefault(alert.subject_id, []).append(alert.pk)
    found: dict[int, Subject] = {}
    for kind, ids in wanted.items():
        known = _kinds[kind](ids) if kind in _kinds else {}
        for subject_id, alert_ids in ids.items():
            subject = known.get(subject_id) or Subject(f"{kind} {subject_id}")
            found.update(dict.fromkeys(alert_ids, subject))
    return found


def _containers(ids: Iterable[int]) -> dict[int, Subject]:
    rows = Container.objects.filter(pk__in=list(ids)).values_list(
        "pk", "code", "lot__solvent__name", "location__name"
    )
    return {
        pk: Subject(
            Phrase("{code} ({solvent})", code=code, solvent=solvent or Phrase("never filled")),
            place or "",
            code,
        )
        for pk, code, solvent, place in rows
    }


def _waste(ids: Iterable[int]) -> dict[int, Subject]:
    rows = Waste.objects.filter(pk__in=list(ids)).values_list("pk", "code", "stream", "location__name")
    return {
        pk: Subject(Phrase("waste container {code} ({stream})", code=code, stream=stream), place or "", code)
        for pk, code, stream, place in rows
    }


def _locations(ids: Iterable[int]) -> dict[int, Subject]:
    rows = Location.objects.filter(pk__in=list(ids)).values_list("pk", "name")
    return {pk: Subject(name, at=pk) for pk, name in rows}


def _limits(ids: Iterable[int]) -> dict[int, Subject]:
    rows = StorageLimit.objects.filter(pk__in=list(ids))
    told = rows.values_list("pk", "name", "location__name", "location_id")
    return {pk: Subject(table_words(name), place, at=at) for pk, name, place, at in told}


def _reagents(ids: Iterable[int]) -> dict[int, Subject]:
    rows = Reagent.objects.filter(pk__in=list(ids)).values_list("pk", "name", "maker_lot")
    return {
        pk: Subject(Phrase("{name}, lot {lot}", name=name, lot=lot) if lot else name)
        for pk, name, lot in rows
    }


def _levels(ids: Iterable[int]) -> dict[int, Subject]:
    rows = StockLevel.objects.filter(pk__in=list(ids)).values_list("pk", "solvent__name", "solvent_id")
    return {pk: Subject(name, at=at) for pk, name, at in rows}


def _solvents(ids: Iterable[int]) -> dict[int, Subject]:
    rows = Solvent.objects.filter(pk__in=list(ids)).values_list("pk", "name")
    return {pk: Subject(name, at=pk) for pk, name in rows}


_kinds |= {
    "container": _containers,
    "wastecontainer": _waste,
    "location": _locations,
    "storagelimit": _limits,
    "reagent": _reagents,
    "stocklevel": _levels,
    "solvent": _solvents,
}
