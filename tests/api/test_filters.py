"""Filters that name a solvent."""

from __future__ import annotations

import pytest

from tests.api.client import Api, base, codes, token_for
from tests.factories import club

pytestmark = pytest.mark.django_db


def test_a_solvent_in_a_filter_goes_by_any_of_its_names() -> None:
    """An unknown name is told as a fault of that parameter, never as an empty list."""
    lab = club()
    api = Api(token=token_for(lab, "member", "read"))
    for address in ("containers/", "movements/", "runs/", "reports/loss-rates/"):
        assert api.get(f"{base(lab)}{address}?solvent=ether").status_code == 200
        refused = api.get(f"{base(lab)}{address}?solvent=ethre")
        assert (refused.status_code, codes(refused)) == (400, ["unknown-solvent"]), address
        assert refused.json()["errors"][0]["in"] == "query"
