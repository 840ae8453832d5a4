"""The solvent balance over the API: as JSON, CSV and PDF, by header and by parameter."""

from __future__ import annotations

import csv
from decimal import Decimal
from io import StringIO
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import PlaceKind
from inventory.selectors.due import today_in
from recovery.services import runs
from recovery.services.runs import Loss
from tests.api.client import Api, base, codes
from tests.factories import Club, club, empty, stocked

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> Club:
    """500 mL ethyl acetate bought; 200 into a run, 120 back, 50 to the air, 30 missing; 20 charged again."""
    now = timezone.now()
    at = club(now=now)
    bottle = stocked(at, "ethyl-acetate", now=now, received_on=now.date())
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**by, purpose="fat in biscuits")
    runs.charge(**by, run=run, container=bottle, amount="200 mL")
    flask = empty(at, now=now)
    runs.give_back(**by, run=run, container=flask, amount="120 mL")
    runs.run_close(**by, run=run, losses=[Loss(PlaceKind.AIR.value, "50 mL")])
    flask.refresh_from_db()
    again = runs.run_start(**by, purpose="leaf pigments")
    runs.charge(**by, run=again, container=flask, amount="20 mL")
    return at


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(lab.auditor)


def test_the_terms(lab: Club, api: Api) -> None:
    month = f"{today_in(lab.lab, timezone.now()):%Y-%m}"
    body = api.get(f"{base(lab)}solvent-balance/?since={month}&until={month}").json()
    (solvent,) = body["solvents"]
    values = {term: q["value"] for term, q in solvent["volume"]["terms"].items() if q["value"] != "0"}
    assert values == {"I1": "80", "I2": "20", "O4": "50", "O9": "30"}
    assert solvent["volume"]["fugitive_share"] == "0.8000"
    assert [solvent["volume"][name]["value"] for name in ("opening", "brought_in", "closing")] == [
        "0",
        "500",
        "420",
    ]
    assert Decimal(body["total"]["consumption"]["value"]) == 80 * Decimal(solvent["density_kg_m3"]) / 1000
    assert (body["closes"], body["total"]["difference"]["value"]) == (True, "0")
    assert [each["code"] for each in body["apart"]] == ["unaccounted"]
    assert (body["since"], body["until"]) == (month, month)
    assert any("not over" in words for words in body["cautions"])


def test_the_data_behind_the_terms_is_told(lab: Club, api: Api) -> None:
    body = api.get(f"{base(lab)}solvent-balance/").json()
    rows = [row for row in body["rows"] if "air" in row["to"]]
    assert [(row["from"], row["terms"]) for row in rows] == [(["container", "run"], ["+O4"])]
    assert all(row["source"] and row["words"] for row in body["rows"])
    assert [term["term"] for term in body["terms"]][:3] == ["I1", "I2", "O1"]


@pytest.mark.parametrize(
    ("query", "headers", "kind"),
    [
        ("?format=csv", {}, "text/csv"),
        ("", {"Accept": "text/csv"}, "text/csv"),
        ("", {"Accept": "application/pdf, */*;q=0.1"}, "application/pdf"),
        ("?format=json", {"Accept": "application/pdf"}, "application/json"),
        ("", {"Accept": "*/*"}, "application/json"),
    ],
)
def test_what_is_asked_for_comes(lab: Club, api: Api, query: str, headers: dict[str, str], kind: str) -> None:
    address = f"{base(lab)}solvent-balance/{query}"
    answer = api.ask("GET", address, headers=headers)
    assert (answer.status_code, answer["Content-Type"]) == (200, kind)
    assert "Accept" in answer["Vary"].split(", ")
    assert api.ask("GET", address, headers={**headers, "If-None-Match": answer["ETag"]}).status_code == 304


def test_the_table_and_the_answer_agree(lab: Club, api: Api) -> None:
    body = api.get(f"{base(lab)}solvent-balance/").json()
    sent = api.get(f"{base(lab)}solvent-balance/?format=csv")
    assert sent["Content-Disposition"] == 'attachment; filename="solvent-balance-biscuit-club-all.csv"'
    rows = list(csv.DictReader(StringIO(sent.content.decode(), newline="")))
    total = {row["code"]: row["mass_g"] for row in rows if row["solvent"] == "all solvents"}
    for term, quantity in body["total"]["terms"].items():
        assert total[term] == quantity["value"]
    assert total["emission"] == body["total"]["total_emission"]["value"]


def test_the_pages_carry_the_name_and_the_figures(lab: Club, api: Api) -> None:
    import pypdfium2

    sent = api.get(f"{base(lab)}solvent-balance/?format=pdf&solvent=ethyl acetate")
    text = "".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(sent.content))
    assert lab.lab.name in text and "Supervisor" in text and "420" in text


def test_german_is_sent_when_it_is_asked_for_and_english_otherwise(lab: Club, api: Api) -> None:
    """A program that asks for nothing gets what it always got, whatever its browser speaks."""
    address = f"{base(lab)}solvent-balance/"
    german = {"Accept-Language": "de"}
    for kind in ("csv", "pdf"):
        plain = api.ask("GET", f"{address}?format={kind}", headers=german)
        assert plain.content == api.get(f"{address}?format={kind}&language=en").content
        said = api.get(f"{address}?format={kind}&language=de")
        assert (
            said["Content-Disposition"]
            == f'attachment; filename="loesemittelbilanz-biscuit-club-alle.{kind}"'
        )
        assert said.content != plain.content
        assert said["ETag"] != plain["ETag"]
    assert "alle Lösemittel" in api.get(f"{address}?format=csv&language=de").content.decode()
    assert api.get(f"{address}?language=de").json() == api.get(address).json()


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("since=2026-13", "not-usable"),
        ("since=2026-1", "not-usable"),
        ("until=2026-01-01", "not-usable"),
        ("since=2026-02&until=2026-01", "ends-before-it-begins"),
        ("format=xls", "not-usable"),
        ("format=pdf&language=fr", "not-usable"),
        ("month=2026-01", "unknown-parameter"),
        ("solvent=marmalade", "unknown-solvent"),
    ],
)
def test_what_cannot_be_used_is_named(lab: Club, api: Api, query: str, code: str) -> None:
    refused = api.get(f"{base(lab)}solvent-balance/?{query}")
    assert (refused.status_code, codes(refused)) == (400, [code])


def test_nothing_else_is_offered(lab: Club, api: Api) -> None:
    assert api.ask("GET", f"{base(lab)}solvent-balance/", headers={"Accept": "image/png"}).status_code == 406
