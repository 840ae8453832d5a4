"""What the audit trail says of an event: amounts, days and names in place of what the record is kept by."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone, translation

from inventory.models import Event, Solvent
from inventory.selectors.trail import names_of
from inventory.services.events import record
from inventory.web.trail_said import said
from tests import factories

NAMES = {("solvent", 38): "petroleum ether 40-60", ("container", 3): "CL03"}
BARE = "\N{NO-BREAK SPACE}"


def told(data: dict[str, Any], language: str = "en-gb") -> dict[str, str]:
    with translation.override(language):
        return {name: text.replace(BARE, " ") for name, text in said(data, NAMES)}


def test_amounts_are_told_with_their_unit_and_of_which_solvent() -> None:
    assert told({"heel_ul": 36000, "lost_ul": {"38": 16000}}) == {
        "heel": "36.0 mL",
        "lost": "petroleum ether 40-60: 16.0 mL",
    }
    assert told({"lost_ul": {"38": 16000}}, "de") == {"verloren": "Petrolether 40-60: 16,0 mL"}
    # Of another lab or taken away: the id stays, since nothing of a record is hidden.
    assert told({"lost_ul": {"7": 500}, "container": 9}) == {"lost": "7: 0.5 mL", "container": "9"}


def test_codes_days_and_ids_are_told_in_words() -> None:
    data = {
        "opened": "unopened",
        "opened_on": "2026-09-19",
        "what": "refractive-index",
        "outcome": "within",
        "container": 3,
        "facts": {"water-volume": "60 mL", "salting": "saturated"},
    }
    assert told(data) == {
        "opened": "not opened yet",
        "opened on": "19 September 2026",
        "what": "refractive index",
        "outcome": "within its limits",
        "container": "CL03",
        "facts": "volume of the water phases: 60 mL; salt in the water: saturated",
    }
    assert told({"opened_on": "2026-09-19", "level": "test-first"}, "de") == {
        "geöffnet am": "19. September 2026",
        "Stufe": "Vor Gebrauch testen",
    }
    # What a person wrote stays as it was written.
    assert told({"reason": "unopened", "note": "see 2026"}) == {"reason": "unopened", "note": "see 2026"}


@pytest.mark.django_db
def test_names_are_of_the_lab_alone_and_take_one_query(django_assert_num_queries: Any) -> None:
    at, other = factories.club(), factories.club("leaf-club")
    now = timezone.now()
    solvent = Solvent.objects.get(lab=None, key="acetone")
    mine, theirs = (factories.stocked(club, "acetone", "100 mL", now=now) for club in (at, other))
    kept = {"container": theirs.pk, "lost_ul": {str(solvent.pk): 5}, "solvent": "acetone"}
    record(lab=at.lab, actor=at.steward, now=now, verb="opened", subject=mine, data=kept)
    events = list(Event.objects.filter(lab=at.lab, verb="opened", subject_id=mine.pk))
    with django_assert_num_queries(1):
        found = names_of(lab=at.lab, events=events)
    assert found == {("container", mine.pk): mine.code, ("solvent", solvent.pk): "acetone"}
