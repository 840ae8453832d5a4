"""The unit a person chose reaches pages, forms, pictures and files; nothing is rounded away on the way."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from inventory.models import User
from inventory.rules.shown_units import UNITS, exact, in_unit
from tests import factories
from tests.web.plain_forms import as_csv

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("unit", list(UNITS))
def test_a_number_in_another_unit_is_the_same_volume(unit: str) -> None:
    # SI prefixes (SI Brochure, 9th edition, table 7): 1 L = 10³ mL = 10⁶ µL.
    of_one = {"uL": 1, "mL": 10**3, "L": 10**6}[unit]
    for volume_ul in (0, 1, 999, 120_001, 2_500_000, -7):
        assert Decimal(exact(volume_ul, unit)) * of_one == volume_ul
    told: dict[str, Any] = in_unit({"value": "12.50", "unit": "mL", "uncertainty": "0.004"}, unit)
    assert Decimal(told["value"]) * of_one == 12_500
    assert Decimal(told["uncertainty"]) * of_one == 4
    assert in_unit({"value": "1", "unit": "mL", "uncertainty": None}, unit)["uncertainty"] is None


def test_lists_hold_microlitres_and_the_chosen_unit(client: Client) -> None:
    at = factories.club()
    bottle = factories.stocked(at, amount="120.001 mL")
    client.force_login(at.member)
    address = f"/labs/{at.lab.slug}/shelf.csv"
    for unit, column in (("", "volume_ml"), ("L", "volume_l")):
        User.objects.filter(pk=at.member.pk).update(volume_unit=unit)
        (row,) = as_csv(client, address)
        assert int(row["volume_ul"]) == bottle.volume_ul
        scale = {"volume_ml": 10**3, "volume_l": 10**6}[column]
        assert Decimal(row[column]) * scale == bottle.volume_ul
    User.objects.filter(pk=at.member.pk).update(volume_unit="uL")
    (row,) = as_csv(client, address)
    assert [name for name in row if name.startswith("volume")] == ["volume_ul"]


def test_forms_begin_with_it_and_pictures_are_asked_for_in_it(client: Client) -> None:
    at = factories.club()
    bottle = factories.stocked(at)
    client.force_login(at.member)
    draw = f"/labs/{at.lab.slug}/containers/{bottle.code}/draw/"

    def begins_with() -> str:
        (chosen,) = re.findall(
            r'<option value="(\w+)" selected>(?:mL|L|µL)<', client.get(draw).content.decode()
        )
        return str(chosen)

    assert begins_with() == "mL"
    User.objects.filter(pk=at.member.pk).update(volume_unit="L")
    assert begins_with() == "L"
    page = client.get(f"/labs/{at.lab.slug}/solvent-balance/").content.decode()
    pictures = re.findall(r'src="(/[^"]+format=svg[^"]*)"', page)
    assert all("unit=L" in each for each in pictures)
