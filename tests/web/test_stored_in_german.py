"""Sentences that the records keep in English, where a German page shows them: put together anew."""

from __future__ import annotations

import pytest
from django.test import Client

from inventory.models import WasteContainer
from inventory.services.waste import DAYS_DEFAULT_SOURCE
from recovery.models import LossSignal
from tests.api.pages_table import PAGES
from tests.api.seed import Seed, planted
from tests.api.test_permissions import page_address
from tests.web.test_words import Reader

pytestmark = pytest.mark.django_db


def read(seed: Seed, address: str) -> str:
    assert address in {page.address for page in PAGES}
    client = Client(headers={"accept-language": "de"})
    client.force_login(seed.lab.supervisor)
    answer = client.get(page_address(address, seed))
    assert answer.status_code == 200
    reader = Reader()
    reader.feed(answer.content.decode().partition("<main")[2])
    return " ".join("".join(reader.text).split())


def test_what_is_kept_in_english_is_shown_in_german() -> None:
    seed = planted()
    signal = LossSignal.objects.get(lab=seed.lab.lab)
    assert "loses more" in signal.words
    still = read(seed, "/labs/{slug}/apparatus/{apparatus}/")
    assert "verliert" in still and "loses" not in still
    kept = WasteContainer.objects.filter(lab=seed.lab.lab)
    assert kept.get().days_source == DAYS_DEFAULT_SOURCE
    # Containers that were recorded earlier say it in other words.
    earlier = "Not told: the shortest of the shipped keeping times is assumed"
    for words in (str(DAYS_DEFAULT_SOURCE), earlier):
        kept.update(days_source=words)
        waste = read(seed, "/labs/{slug}/waste/{waste}/")
        assert "Nicht angegeben: Die kürzeste mitgelieferte Frist eines ganzen Labors ist angenommen" in waste
    sheet = read(seed, "/labs/{slug}/import/{sheet}/")
    assert "400 mL von 500 mL" in sheet
    uses = read(seed, "/labs/{slug}/quality-limits/")
    assert "Quelle: unsere Wahl, nicht veröffentlicht" in uses and "our choice" not in uses
    trail = read(seed, "/labs/{slug}/trail/")
    assert "Qualitätsgrenze" in trail and "qualitylimit" not in trail and "runfield" not in trail
