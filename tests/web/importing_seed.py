"""A list on its way in and one that is in, for the visit of every page."""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from inventory.models import Event
from inventory.services import import_sheets
from inventory.services.importing import import_stock
from tests.factories import Club

PAGES = {
    "bring in a list": "import/",
    "list on its way in": "import/{sheet}/",
    "list that is in": "imports/{imported}/",
    "sample lab": "sample/",
}
# Columns that nobody can guess, a good row, one with a wrong amount and one of a solvent that nobody knows.
WAITING = "Nr;What;Size;Left;Opened\nM1;acetone;1 L;400;01.02.03\nM2;ethanol;1 L;2 L;?\n"
WAITING += "M3;kitchen tea;1 L;3 dl;\n"
IN = "Bottle;What;Size;Left\nN1;acetone;1 L;400 mL\n"


def imported(at: Club) -> dict[str, Any]:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": timezone.now()}
    sheet = import_sheets.sheet_keep(**by, target="stock", data=WAITING.encode(), filename="waiting.csv")
    import_stock(**by, data=IN.encode(), filename="in.csv", write=True)
    written = Event.objects.get(lab=at.lab, verb="stock-imported").pk
    return {"sheet": sheet.pk, "imported": written, "event": written}
