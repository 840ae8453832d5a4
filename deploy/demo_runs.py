"""What the demo's club knows of its runs beside their volumes: kinds, two stills, facts, a checked bottle."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any

from inventory.models import Container, Lab, Location, User
from inventory.services.places import location_get
from recovery.models import Apparatus, Run, RunKind
from recovery.selectors.kinds import kinds_of
from recovery.services.apparatus import apparatus_add, record_add
from recovery.services.quality import check_record
from recovery.services.quality_limits import limit_add
from recovery.services.run_facts import tell

# Purpose → kind, apparatus, facts as the club writes them down.
TOLD: dict[str, tuple[str, tuple[str, ...], dict[str, Any]]] = {
    "fat in biscuits, still 1": (
        "soxhlet-extraction",
        ("Still 1",),
        {"cycles": 18, "take-over-time": "150 min", "coolant-temperature": "13 °C"},
    ),
    "fat in biscuits, still 2": (
        "soxhlet-extraction",
        ("Still 2",),
        {"cycles": 18, "take-over-time": "150 min", "coolant-temperature": "14 °C"},
    ),
    "leaf pigments": (
        "liquid-liquid-extraction",
        (),
        {
            "water-volume": {"value": "60", "unit": "mL", "instrument": "cylinder-b-100"},
            "water-phases": 2,
            "contacts": 3,
            "water-temperature": "18 °C",
            "salting": "saturated",
        },
    ),
    "thin-layer plates": ("other", (), {"open-time": "20 min", "transfers": 2}),
}
ROOM = "Room 2.14"
HOLD_UP_UL = {"Still 1": 2000, "Still 2": 3000}
CHECKED = {
    "density": {
        "value": {"value": "0.7905", "unit": "g/mL", "uncertainty": "0.0005"},
        "temperature": "20 °C",
    },
    "refractive-index": {"value": {"value": "1.3589", "uncertainty": "0.0002"}, "temperature": "20 °C"},
}


def place_in(lab: Lab, name: str) -> Location:
    """A cabinet or fridge in the club's room."""
    room = location_get(lab=lab, name=ROOM, kind="room")
    kind = "fridge" if "fridge" in name.lower() else "cabinet"
    return location_get(lab=lab, name=name, kind=kind, parent=room)


@dataclass
class Bench:
    """The kinds and stills of one lab, found once."""

    lab: Lab
    steward: User
    room: Location = field(init=False)
    kinds: dict[str, RunKind] = field(init=False)
    stills: dict[str, Apparatus] = field(init=False)

    def set_up(self, now: datetime) -> None:
        """Two stills in the club's room, and how often it distils anything."""
        by: dict[str, Any] = {"lab": self.lab, "actor": self.steward, "now": now}
        self.room = location_get(lab=self.lab, name=ROOM, kind="room")
        self.kinds = {kind.key: kind for kind in kinds_of(self.lab)}
        self.stills = {
            name: apparatus_add(**by, name=name, kind="still", location=self.room, hold_up_ul=hold_up_ul)
            for name, hold_up_ul in HOLD_UP_UL.items()
        }
        record_add(**by, apparatus=self.stills["Still 2"], what="cleaned", note="joints greased")
        limit_add(**by, what="times-distilled", highest=Decimal(6), source="club meeting")

    def told(self, purpose: str) -> dict[str, Any]:
        """What is said of a run when it is started."""
        kind, used, _ = TOLD[purpose]
        apparatus = [self.stills[name] for name in used]
        return {"kind": self.kinds[kind], "apparatus": apparatus, "location": self.room}

    def facts(self, run: Run, actor: User, now: datetime) -> None:
        tell(lab=self.lab, actor=actor, now=now, run=run, facts=TOLD[run.purpose][2])

    def check(self, bottles: Iterable[Container], now: datetime) -> None:
        """The first bottle of distilled acetone that holds something is checked, and shown to be fit."""
        ids = [bottle.pk for bottle in bottles]
        bottle = Container.objects.filter(pk__in=ids, volume_ul__gt=0).order_by("code").first()
        if bottle is None:
            return
        by: dict[str, Any] = {"lab": self.lab, "actor": self.steward, "now": now}
        for what, entered in CHECKED.items():
            check_record(**by, container=bottle, what=what, entered=entered)
