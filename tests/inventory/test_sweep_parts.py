"""A sweep in parts: every lab in exactly one, each part asked for once, and the same alerts as in one go."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Alert, Job, Lab
from inventory.services import jobs, sweep_parts
from inventory.services.sweep import sweep
from tests.factories import NOW, club, stocked

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(days=3650)
SLOT = {"slot": "2036-03-07T14:30:00Z", "until": (LATER + timedelta(minutes=5)).isoformat()}


@pytest.fixture
def labs(monkeypatch: pytest.MonkeyPatch) -> list[Lab]:
    """Five labs, each with one ether that is overdue ten years later, in parts of two."""
    monkeypatch.setattr(sweep_parts, "LABS_PER_PART", 2)
    clubs = [club(f"Club {name}", time_zone=zone) for name, zone in zip("ABCDE", ZONES, strict=True)]
    for at in clubs:
        stocked(at, "diethyl-ether")
    return list(Lab.objects.order_by("pk"))


ZONES = ("UTC", "Pacific/Kiritimati", "Etc/GMT+12", "Asia/Kathmandu", "America/St_Johns")


def alerts() -> list[Any]:
    columns = ("lab", "rule", "subject_kind", "subject_id", "due_on", "opened_at", "closed_at")
    return sorted(Alert.objects.values_list(*columns), key=str)


def parts_asked() -> list[dict[str, Any]]:
    return list(Job.objects.filter(name=sweep_parts.PART).order_by("pk").values_list("payload", flat=True))


def test_every_lab_is_in_exactly_one_part(labs: list[Lab]) -> None:
    ids = [lab.pk for lab in labs]
    found = sweep_parts.ranges()
    assert [[pk for pk in ids if low <= pk <= high] for low, high in found] == [ids[:2], ids[2:4], ids[4:]]


def test_a_sweep_that_begins_again_asks_for_the_same_parts(labs: list[Lab]) -> None:
    assert [sweep_parts.sweep_or_share(SLOT, LATER) for _ in range(3)] == [3, 0, 0]
    assert not Alert.objects.exists()
    assert len(parts_asked()) == 3


def test_the_parts_together_do_what_one_sweep_does(labs: list[Lab]) -> None:
    sweep(now=LATER)
    whole = alerts()
    assert {row[0] for row in whole} == {lab.pk for lab in labs}
    Alert.objects.all().delete()
    sweep_parts.sweep_or_share(SLOT, LATER)
    assert jobs.drain(now=lambda: LATER) >= 3
    assert alerts() == whole


def test_a_part_whose_slot_is_past_is_left_to_the_next(labs: list[Lab]) -> None:
    sweep_parts.sweep_or_share(SLOT, LATER)
    late = LATER + timedelta(minutes=6)
    jobs.drain(now=lambda: late)
    assert not Job.objects.filter(name=sweep_parts.PART, done_at=None).exists()
    assert not Alert.objects.exists()


def test_few_labs_are_swept_at_once(labs: list[Lab], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep_parts, "LABS_PER_PART", 5)
    assert sweep_parts.sweep_or_share(SLOT, LATER) == 0
    assert Alert.objects.count() >= len(labs)
    assert parts_asked() == []


def test_the_tick_tells_slot_and_end_and_workers_are_called(
    labs: list[Lab], django_capture_on_commit_callbacks: Any
) -> None:
    called: list[int] = []

    def listen(sender: object, count: int, **_: object) -> None:
        called.append(count)

    jobs.wanted.connect(listen)
    try:
        jobs.tick(name="sweep", slot="now", now=LATER)
        with django_capture_on_commit_callbacks(execute=True):
            jobs.drain(now=lambda: LATER, limit=1)
    finally:
        jobs.wanted.disconnect(listen)
    assert called == [3]
    assert Job.objects.get(name="sweep").payload == {
        "slot": "now",
        "until": (LATER + timedelta(minutes=5)).isoformat(),
    }
