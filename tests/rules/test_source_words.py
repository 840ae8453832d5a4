"""Sources and notes of the shipped solvents: English to the letter, each word round a title in German."""

from __future__ import annotations

import csv
import re

import pytest

from inventory.rules.catalogue import load_catalogue
from inventory.rules.names import DATA
from inventory.rules.phrases import Phrase
from inventory.rules.source_words import source_words
from inventory.services.speaking import speaker

# Words of English that no published title of the table has.
ENGLISH = re.compile(
    r"\b(?:from memory|quoted|without|converted|else|older|copies|extrapolated|poor|fitted|seen|sheet|"
    r"supplier|literature|recorded|bound|used|worse|case|second|against|between|about|room|doubtful|mass)\b"
)
COLUMNS = ("source", "second_source", "disagreement", "note")


def texts() -> set[str]:
    with (DATA / "properties.csv").open(encoding="utf-8", newline="") as lines:
        found = {row[name].replace(" Cel", " °C") for row in csv.DictReader(lines) for name in COLUMNS}
    return found | {fact.source for solvent in load_catalogue().values() for fact in solvent.facts}


def test_english_is_what_the_table_has() -> None:
    found = texts()
    assert len(found) > 80
    for text in found:
        assert source_words(text).replace("Cel", "°C") == text.replace("Cel", "°C")


def test_german_keeps_titles_and_says_the_rest() -> None:
    say = speaker("de")
    assert [text for text in sorted(texts()) if ENGLISH.search(say(source_words(text)))] == []


@pytest.mark.parametrize(
    ("text", "german"),
    [
        ("CRC Handbook; Riddick & Bunger (from memory)",
         "CRC Handbook; Riddick & Bunger (aus dem Gedächtnis)"),
        ("VDI/PPDS else Perry eq. 105 (chemicals 1.5.2)", "VDI/PPDS, sonst Perry eq. 105 (chemicals 1.5.2)"),
        ("(from memory; varies by supplier)", "(aus dem Gedächtnis; je nach Lieferant verschieden)"),
    ],
)  # fmt: skip
def test_a_title_stands_where_it_stood(text: str, german: str) -> None:
    assert speaker("de")(source_words(text)) == german


def test_what_a_lab_typed_stays_as_it_was() -> None:
    assert type(source_words("Data sheet of the maker, 2024")) is str
    assert isinstance(source_words("supplier data"), Phrase)
