"""Numbers as they are sent: read digit by digit, whatever stands for them."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

import pytest
from django.utils import timezone

from inventory.models import Container, Movement
from inventory.rules.catalogue import load_catalogue
from inventory.rules.errors import InputError
from inventory.services.catalogue import _with_density
from tests.api.client import Api, base, token_for
from tests.factories import Club, club, stocked

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(token=token_for(lab, "steward", "manage"))


@pytest.fixture
def bottle(lab: Club) -> Container:
    now = timezone.now()
    return stocked(lab, "diethyl-ether", code="B-1", now=now, received_on=now.date())


def draws(lab: Club) -> str:
    return f"{base(lab)}containers/B-1/draws/"


@pytest.mark.parametrize("number", ["1.005", "0.001", "4.35", "12", "1.2e1", "0.30000000000000004"])
def test_numbers_without_quotes_are_read_digit_by_digit(
    lab: Club, api: Api, bottle: Container, number: str
) -> None:
    """Through a binary float 1.005 mL would be 1004.99… uL (IEEE 754). Expected: the decimal's own digits."""
    made = api.post(draws(lab), raw=f'{{"volume": {{"value": {number}, "unit": "mL"}}}}'.encode())
    assert made.status_code == 201, made.content
    moved = Movement.objects.get(kind="draw")
    assert moved.volume_ul == int((Decimal(number) * 1000).to_integral_value(ROUND_HALF_EVEN))
    assert Decimal(moved.as_entered["text"].removesuffix(" mL")) == Decimal(number)


@pytest.mark.parametrize("number", ["true", "1e400", "-1", "NaN", "1e-400", "[1]", "null", "9" * 30])
def test_what_is_no_amount_is_refused_without_quotes_too(
    lab: Club, api: Api, bottle: Container, number: str
) -> None:
    refused = api.post(draws(lab), raw=f'{{"volume": {{"value": {number}, "unit": "mL"}}}}'.encode())
    assert refused.status_code == 400, refused.content
    assert not Movement.objects.filter(kind="draw").exists()


@pytest.mark.parametrize("density", ["NaN", "sNaN", "Infinity", "-Infinity", "1e999", "0", "x", ""])
def test_a_density_that_is_none_is_refused(density: str) -> None:
    with pytest.raises(InputError) as refusal:
        _with_density(load_catalogue()["acetone"], density)
    assert refusal.value.field == "density_20c_kg_m3"
