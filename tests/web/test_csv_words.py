"""Lists for spreadsheets in German: what a person reads is said, codes of English ones stay, numbers too."""

from __future__ import annotations

import ast
import csv
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone, translation

from inventory.models import Location
from inventory.rules.phrases import Phrase
from inventory.services import safety
from inventory.web import csv_out
from inventory.web.csv_words import COLUMNS, VALUES
from tests import factories
from tests.house.catalogues import ROOT

TUPLES = {"CSV_COLUMNS", "COLUMNS", "RATES", "CHART", "FLOWS", "BALANCE", "GROWTH"}
TUPLES |= {
    "TOKENS",
    "FEEDS",
    "WEBHOOKS",
    "POLICIES",
    "FACTS",
    "RUNS",
    "APPARATUS",
    "RECORDS",
    "FITS",
    "LINE",
    "CAME",
}
TUPLES |= {"CAME", "TIMELINE"}


def columns() -> Iterator[str]:
    """Each column that a page writes, found in the source."""
    for path in sorted([*(ROOT / "inventory/web").glob("*.py"), *(ROOT / "recovery/web").glob("*.py")]):
        yield from _columns(path)


def _columns(path: Path) -> Iterator[str]:
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in TUPLES:
            yield from (each for each in ast.literal_eval(node.value))


def test_every_column_has_its_words_in_german() -> None:
    found = set(columns())
    assert len(found) > 80
    assert found - set(COLUMNS) == set()
    with translation.override("de"):
        german = {name: str(words) for name, words in COLUMNS.items()}
    with translation.override("en-gb"):
        same = {name for name, words in COLUMNS.items() if str(words) == german[name]}
    assert same <= {"api_tokens", "code", "feeds", "mail", "name"}
    with translation.override("de"):
        told = {code: csv_out.cell(code, column) for column, words in VALUES.items() for code in words}
    assert all(told.values())


@pytest.fixture
def shelf(db: None) -> factories.Club:
    at = factories.club(now=timezone.now())
    day = timezone.now().date() - timedelta(days=10)
    ether = factories.stocked(at, "diethyl-ether", code="B-1", now=timezone.now(), received_on=day)
    factories.stocked(at, "ethyl-acetate", code="B-2", now=timezone.now(), opened="unopened")
    safety.observe(lab=at.lab, actor=at.member, now=timezone.now(), container=ether, sign="cloudy")
    return at


def rows(at: factories.Club, address: str, language: str) -> list[dict[str, str]]:
    client = Client(headers={"accept-language": language})
    client.force_login(at.auditor)
    answer: Any = client.get(f"/labs/{at.lab.slug}/{address}")
    assert answer.status_code == 200
    # It is sent when the page is over, and whoever sends it speaks another language by then.
    with translation.override("en-gb"):
        text = b"".join(answer.streaming_content).decode("utf-8-sig")
    return list(csv.DictReader(StringIO(text, newline="")))


def test_the_shelf_is_said_in_german_and_stays_as_it_was_in_english(shelf: factories.Club) -> None:
    day = timezone.now().date() - timedelta(days=10)
    factories.stocked(shelf, "diethyl-ether", code="B-3", now=timezone.now(), received_on=day)
    ether, acetate, fine = sorted(rows(shelf, "shelf.csv", "de"), key=lambda row: row["Code"])
    assert (ether["Lösemittel"], ether["Geöffnet"], ether["Schwerstes Anzeichen"]) == (
        "Diethylether",
        "geöffnet",
        "Trüb",
    )
    assert fine["Warum dieser Tag"].startswith("Test fällig 3 Monate nach dem Öffnen am ")
    # Nobody is sent to test what is to be left alone.
    assert ether["Warum dieser Tag"] == ""
    assert acetate["Geöffnet"] == "nicht geöffnet"
    assert acetate["Warum dieser Tag"] == "Kein Peroxidbildner: kein Test nötig."
    assert (ether["Volumen, µL"], ether["Volumen, mL"]) == ("500000", "500.000")
    english = {row["code"]: row for row in rows(shelf, "shelf.csv", "en-gb")}
    assert (english["B-1"]["opened"], english["B-1"]["worst_sign"]) == ("opened", "cloudy")
    assert english["B-2"]["due_words"] == "Not a peroxide former: no test is needed."
    assert english["B-1"]["volume_ul"] == ether["Volumen, µL"]


def test_the_list_of_formers_has_a_cell_for_each_column(shelf: factories.Club) -> None:
    """One without a test too: its verdict stands under the verdict, and not under the figures of a test."""
    (english,) = rows(shelf, "inspection.csv", "en-gb")
    assert (english["code"], english["level"], english["upper_mg_per_l"]) == ("B-1", "do-not-touch", "")
    assert None not in english and None not in english.values()
    (german,) = rows(shelf, "inspection.csv", "de")
    assert (german["Urteil"], german["Methode"]) == ("Nicht anfassen: Hilfe holen", "")


def test_the_audit_trail_is_told_in_words_or_kept_as_data(shelf: factories.Club) -> None:
    german, english = (rows(shelf, "trail.csv", language)[-1] for language in ("de", "en-gb"))
    assert english["what"] == "lab-created" or "-" in english["what"]
    assert german["Kennung"] == english["id"] and german["Was"] != english["what"]
    assert english["data"].startswith("{") and not german["Was erfasst wurde"].startswith("{")


def test_a_phrase_is_said_and_a_formula_is_harmless_in_any_language() -> None:
    with translation.override("de"):
        assert csv_out.cell(Phrase("not known")) == "nicht bekannt"
        assert (csv_out.cell(True), csv_out.cell(False), csv_out.cell(None)) == ("ja", "nein", "")
        assert csv_out.cell("=1+1") == "'=1+1"
        # A record in its own words is text of people too.
        assert csv_out.cell(Location(name="=1+1")) == "'=1+1"
        assert (csv_out.cell(-5), csv_out.cell(Decimal("-0.5"))) == ("-5", "-0.5")
    assert (csv_out.cell(True), csv_out.cell(Phrase("not known"))) == ("True", "not known")
