"""The timeline goes through everything once, whatever happened in one moment."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Event, Movement, PeroxideTest
from inventory.selectors.timeline import TOLD_ELSEWHERE, Place, timeline
from inventory.services import safety, volumes
from inventory.services.disposal import discard
from inventory.services.events import record
from recovery.web.container_past import mark, placed
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_what_happened_in_one_moment_is_gone_through_page_by_page_each_once() -> None:
    at = factories.club()
    bottle = factories.stocked(at, "diethyl-ether", "900 mL", opened_on=NOW.date())
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member}
    for minutes in (0, 0, 0, 0, 0, 7):
        held = factories.fresh(bottle)
        moment = NOW + timedelta(minutes=minutes)
        volumes.draw(**by, now=moment, container=held, amount="2 mL", destination=at.end("reaction"))
    for reading in ("<1", "2"):
        safety.test_record(
            **by, now=NOW, container=factories.fresh(bottle), reading=reading, method="strip-25",
            tested_on=NOW.date(),
        )  # fmt: skip
    told = {"told_at": (NOW - timedelta(days=1)).isoformat()}
    record(**by, now=NOW, verb="put-away", subject=bottle, data=told)
    events = Event.objects.filter(subject_kind="container", subject_id=bottle.pk)
    there = {
        ("movement", pk) for pk in Movement.objects.touching([bottle.place_id]).values_list("pk", flat=True)
    }
    there |= {("test", pk) for pk in PeroxideTest.objects.values_list("pk", flat=True)}
    there |= {("event", e.pk) for e in events.exclude(verb__in=TOLD_ELSEWHERE)}
    gone_through: list[tuple[str, int]] = []
    before: Place | None = None
    while rows := timeline(container=bottle, before=before, limit=2):
        gone_through += [(row.kind, row.pk) for row in rows]
        before = placed(mark(rows[-1]))
    whole = timeline(container=bottle, limit=100)
    assert gone_through == [(row.kind, row.pk) for row in whole]
    assert len(gone_through) == len(there) and set(gone_through) == there
    assert [row.at for row in whole] == sorted((row.at for row in whole), reverse=True)
    assert NOW - timedelta(days=1) in [row.at for row in whole if row.kind == "event"]


@pytest.mark.parametrize("amount", ["900 mL", None])
def test_a_handing_over_stands_there_once_at_the_time_that_was_told(amount: str | None) -> None:
    at = factories.club()
    bottle = factories.stocked(at, "ethyl-acetate", amount) if amount else factories.empty(at)
    earlier = NOW + timedelta(days=1)
    discard(lab=at.lab, actor=at.steward, now=NOW + timedelta(days=2), container=bottle, happened_at=earlier)
    told = [row for row in timeline(container=bottle) if row.what in ("discard", "discarded")]
    assert [(row.kind, row.change_ul) for row in told] == (
        [("movement", -900_000)] if amount else [("event", None)]
    )
    assert [row.at for row in told] == ([earlier] if amount else [NOW + timedelta(days=2)])


@pytest.mark.parametrize(
    "text", ["", "x", "2026-03-10T12:00:00+00:00", "a~b~c~d", "2026-03-10~2026-03-10~movement~1"]
)
def test_a_place_that_cannot_be_read_starts_anew(text: str) -> None:
    assert placed(text) is None
