"""Where the liquid of a lot came from and what became of it, through blends and distillations."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from django.http import HttpResponse

from inventory.models import Lot
from inventory.rules.errors import Conflict
from inventory.web.desk import Desk, desk_page
from inventory.web.language import spoken
from recovery.selectors.trace import Passed, ancestry, descent, passed_by
from recovery.web.quality import fits_of_lot

SHOWN = 200


@dataclass(frozen=True)
class Kin:
    """A lot of the line. steps: generations away. volume_ul: of this one that went through it. share: of it
    that is liquid of this one; the other of the two is None."""

    lot: Lot
    steps: int
    passed: Passed
    volume_ul: int | None = None
    share: Fraction | None = None

    @property
    def part(self) -> float | None:
        return None if self.share is None else float(self.share)


@desk_page("stock.read")
def lot(desk: Desk, lot: str) -> HttpResponse:
    """One lot with its line back and forth."""
    found: Lot = desk.caller.by_id(Lot.objects.select_related("solvent"), lot)
    context: dict[str, object] = {"lot": found, "fault": "", "fits": fits_of_lot(desk, found)}
    try:
        context |= _line(found)
    except Conflict as refused:
        context["fault"] = f"{spoken(refused.detail)} {spoken(refused.remedy)}"
    return desk.render("recovery/lot.html", context, here="shelf")


def _line(found: Lot) -> dict[str, object]:
    back, forth = ancestry(lot=found), descent(lot=found)
    behind = sorted((pk for pk in back.steps if pk != found.pk), key=lambda pk: (back.steps[pk], pk))
    ahead = sorted((pk for pk in forth.steps if pk != found.pk), key=lambda pk: (forth.steps[pk], pk))
    shown = [*behind[:SHOWN], *ahead[:SHOWN]]
    lots = Lot.objects.select_related("solvent").in_bulk(shown)
    passed = passed_by([found.pk, *shown])
    return {
        "parents": [
            Kin(lots[pk], back.steps[pk], passed[pk], volume_ul=back.volumes_ul.get(pk))
            for pk in behind[:SHOWN]
        ],
        "children": [
            Kin(lots[pk], forth.steps[pk], passed[pk], share=forth.shares.get(pk)) for pk in ahead[:SHOWN]
        ],
        "own": passed[found.pk],
        "left_off": len(behind) + len(ahead) - len(shown),
    }
