"""How much of each solvent a lab has, by where it came from, in one statement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.db.models import Count, Sum

from inventory.models import Container, Lab, Lot


@dataclass
class Stock:
    """µl on the shelf: as bought, distilled back here, and of any other origin; containers with some in."""

    fresh_ul: int = 0
    recovered_ul: int = 0
    other_ul: int = 0
    containers: int = 0

    @property
    def total_ul(self) -> int:
        return self.fresh_ul + self.recovered_ul + self.other_ul


def stock_by_solvent(*, lab: Lab) -> Mapping[int, Stock]:
    """Solvent id → its stock; a solvent of which there is none is left out."""
    held = Container.objects.filter(lab=lab, discarded_at=None, volume_ul__gt=0)
    columns = ("lot__solvent_id", "lot__origin")
    found: dict[int, Stock] = {}
    rows = held.order_by().values_list(*columns).annotate(Sum("volume_ul"), Count("id"))
    for solvent_id, origin, volume, count in rows:
        stock = found.setdefault(solvent_id, Stock())
        stock.containers += count
        if origin == Lot.Origin.PURCHASED:
            stock.fresh_ul += int(volume)
        elif origin == Lot.Origin.RECOVERED:
            stock.recovered_ul += int(volume)
        else:
            stock.other_ul += int(volume)
    return found
