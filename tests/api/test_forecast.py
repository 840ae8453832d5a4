"""The forecast of a container over the API."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Container
from inventory.services import safety
from tests import factories as make
from tests.api.client import Api, base

pytestmark = pytest.mark.django_db
DAYS = (0, 60, 120, 180, 240)


@pytest.fixture
def club() -> make.Club:
    return make.club(now=timezone.now() - timedelta(days=300))


def rising(club: make.Club, *readings: str) -> Container:
    start = timezone.now() - timedelta(days=290)
    bottle = make.stocked(
        club, "tetrahydrofuran", code="T-1", inhibited=True, now=start, received_on=start.date()
    )
    for day, reading in zip(DAYS, readings, strict=False):
        now = start + timedelta(days=day, hours=1)
        safety.test_record(
            lab=club.lab, actor=club.steward, now=now, container=make.fresh(bottle), reading=reading,
            method="strip-25", tested_on=now.date(),
        )  # fmt: skip
    return make.fresh(bottle)


def asked(club: make.Club) -> dict[str, Any]:
    answer = Api(club.member).get(f"{base(club)}containers/T-1/forecast/")
    assert answer.status_code == 200, answer.content
    return dict(answer.json())


def test_points_line_band_and_day_are_told(club: make.Club) -> None:
    bottle = rising(club, "neg", "0.5", "2", "2", "5")
    got = asked(club)
    assert (got["code"], got["on"]) == ("forecast", str(bottle.forecast_on))
    assert got["words"] == bottle.forecast_words
    assert got["next_test_due_on"] == got["on"]
    assert got["on"] < got["policy_due_on"]
    assert [(p["lower_mg_per_l"], p["upper_mg_per_l"]) for p in got["points"]] == [
        ("0.000", "0.500"), ("0.500", "0.500"), ("2.000", "2.000"), ("2.000", "2.000"), ("5.000", "5.000"),
    ]  # fmt: skip
    growth = {name: Decimal(text) for name, text in got["growth"].items()}
    assert 1 < growth["low"] < growth["factor"] < growth["high"]
    days = [date.fromisoformat(point["on"]) for point in got["band"]]
    assert days == sorted(days)
    assert len(days) == 9
    level = Decimal(got["level_mg_per_l"])
    on = bottle.forecast_on
    highs = {day: Decimal(point["high_mg_per_l"]) for day, point in zip(days, got["band"], strict=True)}
    assert on is not None
    assert all(high < level for day, high in highs.items() if days[2] < day < on)
    assert all(high >= level for day, high in highs.items() if day >= on)
    assert any("inhibitor" in words for words in got["cautions"])


def test_why_there_is_none_is_told(club: make.Club) -> None:
    bottle = rising(club, "neg", "0.5")
    got = asked(club)
    assert (got["code"], got["on"], got["growth"], got["band"]) == ("too-few", None, None, [])
    assert got["words"] == bottle.forecast_words
    assert got["next_test_due_on"] == got["policy_due_on"]
    assert len(got["points"]) == 2


def test_an_unused_bottle_has_an_answer_too(club: make.Club) -> None:
    make.empty(club, code="T-1")
    got = asked(club)
    assert (got["code"], got["points"], got["next_test_due_on"]) == ("too-few", [], None)
