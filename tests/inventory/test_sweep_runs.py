"""A run left open too long has its alert until it is closed."""

from __future__ import annotations

from datetime import timedelta

import pytest

from inventory.models import Alert, Place
from inventory.services.sweep import Swept, sweep
from recovery.models import Run
from recovery.services.sweep import OPEN_TOO_LONG
from tests.factories import NOW, club

pytestmark = pytest.mark.django_db
SECOND = timedelta(seconds=1)


def test_a_run_open_for_more_than_a_week() -> None:
    at = club()
    place = Place.objects.create(lab=at.lab, kind="run")
    run = Run.objects.create(
        lab=at.lab, place=place, purpose="Fat in biscuits", operator_name="Mia", started_at=NOW,
        month=NOW.date().replace(day=1), actor=at.member, created_at=NOW,
    )  # fmt: skip
    assert sweep(now=NOW + OPEN_TOO_LONG)["run-open-too-long"] == Swept(0, 0)
    assert sweep(now=NOW + OPEN_TOO_LONG + SECOND)["run-open-too-long"] == Swept(1, 0)
    assert sweep(now=NOW + OPEN_TOO_LONG + SECOND)["run-open-too-long"] == Swept(0, 0)
    alert = Alert.objects.get()
    assert (alert.subject_kind, alert.subject_id, alert.lab_id, alert.due_on) == (
        "run",
        run.pk,
        at.lab.pk,
        None,
    )
    Run.objects.filter(pk=run.pk).update(closed_at=NOW + OPEN_TOO_LONG)
    assert sweep(now=NOW + OPEN_TOO_LONG + SECOND)["run-open-too-long"] == Swept(0, 1)
    alert.refresh_from_db()
    assert (alert.closed_at, alert.cured_by) == (NOW + OPEN_TOO_LONG + SECOND, "closed")


def test_a_run_from_before_counting_is_no_concern() -> None:
    at = club()
    place = Place.objects.create(lab=at.lab, kind="run")
    Run.objects.create(
        lab=at.lab, place=place, purpose="Leaf pigments", operator_name="Mia", started_at=NOW,
        is_history=True, month=NOW.date().replace(day=1), actor=at.member, created_at=NOW,
    )  # fmt: skip
    assert sweep(now=NOW + 9 * OPEN_TOO_LONG)["run-open-too-long"] == Swept(0, 0)
