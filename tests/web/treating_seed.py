"""A fit, a former with readings, waste, a run log on its way in: for the tests that visit every page."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.utils import timezone

from inventory.models import Container
from inventory.selectors.due import today_in
from inventory.services import import_sheets, places, safety, waste
from inventory.services.waste import WasteFacts
from tests import factories
from tests.api.seed_runs import planted_fit
from tests.factories import Club

PAGES = {
    "fit": "loss-fits/{fit}/",
    "put a fit into use": "loss-fits/{fit}/adopt/",
    "former with readings": "containers/{former}/",
    "inhibitor added": "containers/{former}/inhibitor/",
    "peroxides taken out": "containers/{former}/peroxides-out/",
    "dried": "containers/{back}/dried/",
    "waste": "waste/w-9/",
    "waste handed over": "waste/W-9/hand-over/",
    "waste put in": "waste/W-9/put-in/?container={former}",
    "waste container added": "storage/add-waste/",
    "bottle into waste": "containers/{former}/into-waste/",
    "weigh": "containers/{weighed}/weigh/",
    "opened": "containers/{former}/open/",
    "losses of one solvent": "recovery/?solvent={solvent}",
    "run log on its way in": "import/{log}/",
    "place with waste": "storage/{waste_place}/",
}
LOG = "Date;What for;Solvent;Out;Back\n2025-03-01;leaf pigments;acetone;250 mL;200 mL\n"


def treated(at: Club) -> dict[str, Any]:
    """Names for the addresses of `PAGES`."""
    now = timezone.now()
    today = today_in(at.lab, now)
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": now}
    former = factories.stocked(at, "diethyl-ether", now=now, received_on=today - timedelta(days=40))
    for ago, reading in ((9, "2 mg/L"), (3, "5 mg/L")):
        tested = today - timedelta(days=ago)
        safety.test_record(
            **by, container=former, reading=reading, method="strip-25", tested_on=tested
        )  # fmt: skip
    weighed = factories.stocked(at, "acetone", now=now, received_on=today)
    Container.objects.filter(pk=weighed.pk).update(tare_mg=250_000)
    sheet = import_sheets.sheet_keep(**by, target="runs", data=LOG.encode(), filename="runs.csv")
    shelf = places.location_get(lab=at.lab, name="Waste shelf", kind="cabinet")
    waste.waste_add(
        **by, facts=WasteFacts(stream="halogen-free", capacity_ul=5_000_000, code="W-9", location=shelf)
    )
    return {
        "fit": planted_fit(at, now).pk,
        "former": former.code,
        "weighed": weighed.code,
        "waste": "W-9",
        "log": sheet.pk,
        "waste_place": shelf.pk,
    }
