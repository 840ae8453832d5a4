"""What somebody who inspects a lab asks for, gathered from the records as they stand now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count, Q, QuerySet

from inventory.models import Container, Event, Lab, Location, Reagent, Solvent, StorageLimit, WasteContainer
from inventory.rules.levels import LEVEL_WORDS
from inventory.selectors import storage
from inventory.selectors.due import today_in
from inventory.selectors.loosening import PolicyInUse, policy_in_use
from inventory.selectors.storage import Overview
from inventory.services.bottles import Bottle, bottles
from inventory.services.storage import litres

# What a person answered for with a reason, or did against what the records say.
SIGNED = (
    "policy-loosened",
    "loosened",
    "limit-loosened",
    "limit-ended",
    "storage-overridden",
    "distilling-overridden",
    "used-against-verdict",
    "quality-limit-ended",
)


@dataclass(frozen=True)
class Signed:
    """Something milder or bolder than the rules alone. ways: what exactly, each in words."""

    at: datetime
    by: str
    verb: str
    subject: str
    reason: str
    ways: Sequence[str]


@dataclass(frozen=True)
class Inspection:
    """One lab on one day, and what was signed from `since` to `until`, both included."""

    lab: Lab
    now: datetime
    today: date
    since: date
    until: date
    policy: PolicyInUse
    formers: Sequence[Bottle]
    storage: Overview
    waste: Sequence[WasteContainer]
    collected: Sequence[WasteContainer]
    signed: Sequence[Signed]

    @property
    def overdue(self) -> list[Bottle]:
        return [bottle for bottle in self.formers if bottle.overdue(self.today)]


def inspection(*, lab: Lab, now: datetime, since: date, until: date) -> Inspection:
    """The lab as it stands now. since, until: days in its own zone, for what was signed and collected."""
    today = today_in(lab, now)
    between = _moments(lab, since, until)
    waste = WasteContainer.objects.filter(lab=lab).select_related("location")
    return Inspection(
        lab=lab,
        now=now,
        today=today,
        since=since,
        until=until,
        policy=policy_in_use(lab),
        formers=formers(lab=lab, today=today),
        storage=storage.overview(lab=lab),
        waste=list(waste.filter(collected_at=None).order_by("collect_by", "id")),
        collected=list(waste.filter(collected_at__range=between).order_by("collected_at", "id")),
        signed=_signed(lab, between),
    )


def formers(*, lab: Lab, today: date) -> list[Bottle]:
    """Every peroxide former that is here, and whatever a sign was seen on or that was set aside.

    Those that nobody may touch come first, then those that nobody may use, then those that are overdue, the
    longest first, then the others by the day of their next test. An empty container is one of them:
    peroxides stay behind in it.
    """
    found = bottles(ids=_held(lab).order_by("id").values_list("pk", flat=True), today=today)
    return sorted(found, key=lambda b: (_danger(b), b.due_on is None, b.due_on or today, b.code))


def _danger(bottle: Bottle) -> int:
    """0 for what nobody may touch, 1 for what nobody may use, 2 for the rest."""
    return 0 if bottle.told.level == "do-not-touch" else 1 if bottle.alone else 2


def barred_counted(found: Iterable[Bottle]) -> tuple[int, int]:
    """How many of them nobody may use or touch, and how many more only after a test."""
    levels = [bottle.told.level for bottle in found]
    return sum(level in ("do-not-use", "do-not-touch") for level in levels), levels.count("test-first")


def formers_counted(*, lab: Lab, today: date) -> tuple[int, int]:
    """How many of `formers` there are and how many of them are overdue, in one query: nothing is judged."""
    counted = _held(lab).aggregate(all=Count("pk"), overdue=Count("pk", filter=Q(next_test_due__lt=today)))
    return counted["all"], counted["overdue"]


def lines_counted(*, lab: Lab, today: date, since: date, until: date) -> int:
    """How many lines the paper has of formers, waste and what was signed for; limits and places are few."""
    between = _moments(lab, since, until)
    waste = WasteContainer.objects.filter(Q(collected_at=None) | Q(collected_at__range=between), lab=lab)
    signed = Event.objects.filter(lab=lab, verb__in=SIGNED, at__range=between)
    return formers_counted(lab=lab, today=today)[0] + waste.count() + signed.count()


def _held(lab: Lab) -> QuerySet[Container]:
    former = ~Q(lot__solvent__peroxide_class="none") | Q(lot__solvent__state=Solvent.State.UNCONFIRMED)
    marked = ~Q(worst_sign="") | Q(quarantined_at__isnull=False)
    return Container.objects.filter(former | marked, lab=lab, discarded_at=None, lot__isnull=False)


def _moments(lab: Lab, since: date, until: date) -> tuple[datetime, datetime]:
    """From the first to the last moment of these days in the lab's zone."""
    zone = ZoneInfo(lab.time_zone)
    begins = datetime.combine(since, time.min, zone)
    ends = datetime.combine(until, time.max, zone)
    return begins, ends


def _signed(lab: Lab, between: tuple[datetime, datetime]) -> list[Signed]:
    """Newest first."""
    rows = Event.objects.filter(lab=lab, verb__in=SIGNED, at__range=between).select_related("actor")
    events = list(rows.order_by("-at", "-id"))
    names = _names(lab, events)
    return [
        Signed(
            event.at,
            event.actor.display_name,
            event.verb,
            names.get((event.subject_kind, event.subject_id), f"{event.subject_kind} {event.subject_id}"),
            str(event.data.get("reason", "")),
            list(_ways(event.data)),
        )
        for event in events
    ]


def _names(lab: Lab, events: Iterable[Event]) -> dict[tuple[str, int], str]:
    """What people call the subjects of events, in one query for each kind."""
    columns: dict[str, tuple[Any, str]] = {
        "container": (Container, "code"),
        "wastecontainer": (WasteContainer, "code"),
        "storagelimit": (StorageLimit, "name"),
        "location": (Location, "name"),
        "reagent": (Reagent, "name"),
    }
    wanted: dict[str, set[int]] = {}
    for event in events:
        wanted.setdefault(event.subject_kind, set()).add(event.subject_id)
    found = {("lab", lab.pk): lab.name}
    for kind, (model, column) in columns.items():
        if kind in wanted:
            rows = model.objects.filter(lab=lab, pk__in=wanted[kind]).values_list("pk", column)
            found |= {(kind, pk): name for pk, name in rows}
    return found


def _ways(data: Mapping[str, Any]) -> Iterable[str]:
    """What exactly, from what the event kept."""
    if isinstance(data.get("what"), str):
        yield data["what"]
    yield from (str(way) for way in data.get("looser", ()))
    yield from (str(one["words"]) for one in data.get("refused", ()))
    if data.get("level") in LEVEL_WORDS and data.get("codes"):
        yield f"{LEVEL_WORDS[data['level']]}: {', '.join(data['codes'])}."
    if isinstance(data.get("words"), str):
        yield data["words"]
    yield from (str(one["words"]) for one in data.get("reasons", ()) if isinstance(one, Mapping))
    before, after = data.get("before"), data.get("after")
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        changed = [name for name in before if before[name] != after.get(name)]
        yield from (_change(name, before[name], after.get(name)) for name in changed)


def _change(name: str, before: Any, after: Any) -> str:
    if name == "limit_ul" and isinstance(before, int) and isinstance(after, int):
        return f"limit: {litres(before)} → {litres(after)}"
    return f"{name}: {before} → {after}"
