"""The solvent balance as CSV and PDF in another language: every word is said, English stays to the byte."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from hashlib import sha256
from io import StringIO

from inventory.rules.phrases import Phrase, Say
from inventory.services.speaking import speaker
from recovery.rules.solvent_balance import Cell, Report, SolventFlows, report
from recovery.rules.solvent_balance_csv import COLUMNS, balance_csv
from recovery.rules.solvent_balance_pdf import balance_pdf
from recovery.rules.solvent_balance_words import cautions, grams, grams_rounded
from recovery.rules.solvent_terms import load_terms
from recovery.rules.solvent_terms_words import KIND_WORDS
from tests.recovery.rules.test_pictures_said import bracketed, unsaid
from tests.rules.test_solvent_balance_papers import TABLE, TODAY, flat, made, pdf_of, text_of

LAB, NAME = "Qx Qy", "Zw"
# Of the table of the club's two solvents, one of which would be a formula: as it was before German came.
ENGLISH_CSV = "f5498edce7dacca155e2e025ca6743f908e4b972c716b085c6d7e684eb4deb3f"
# Words of English sentences that no German one has.
ENGLISH = re.compile(
    r"\b(?:the|and|of|to|from|is|it|by|what|which|nothing|taken|adds|ours|stock|waste|page|signed|opening|"
    r"closing|volume|supplier|container|memory|term)\b",
    re.IGNORECASE,
)


def everything() -> Report:
    """Each pair of the table, and two that no row names, in an open period."""
    pairs = [*sorted(TABLE.feeds), ("somewhere", "container"), ("container", "somewhere")]
    cells = tuple(Cell(*ends, 1001 * (n + 1)) for n, ends in enumerate(pairs))
    moved = SolventFlows(NAME, NAME, made().solvents[0].density_kg_m3, cells[:2], cells, 7)
    stood = SolventFlows("Zv", "Zv", moved.density_kg_m3, (Cell("supplier", "container", 500),))
    return report([moved, stood], TABLE, until=TODAY)


def both_of(found: Report, say: Say, language: str = "") -> tuple[str, str]:
    """Text of the table and of the pages."""
    told = {"lab": LAB, "cautions": cautions(found, today=TODAY), "say": say}
    pages = balance_pdf(found, TABLE, **told, language=language)  # type: ignore[arg-type]
    return balance_csv(found, TABLE, **told).decode(), text_of(pages)  # type: ignore[arg-type]


def rows_of(text: str) -> Iterator[dict[str, str]]:
    return csv.DictReader(StringIO(text, newline=""))


def test_every_word_of_the_table_can_be_said_in_another_language() -> None:
    """In the made-up language each sentence is in brackets; codes, numbers and names are not."""
    text, _ = both_of(everything(), bracketed)
    for row in rows_of(text):
        for column in ("solvent", "words", "source"):
            assert unsaid(row[column], {LAB, NAME, "somewhere"}) == [], row


def test_every_word_of_the_pages_is_said() -> None:
    """What the pages ask for is all there is on them: each text drawn comes out of the language."""
    asked: list[str] = []

    def say(words: str) -> str:
        asked.append(words)
        return re.sub(r"[A-Za-z]+", "Ω", bracketed(words))

    _, text = both_of(everything(), say)
    assert set(re.findall(r"[A-Za-z]{3,}", text)) == set()
    plain = {words for words in asked if not isinstance(words, Phrase)}
    assert {words for words in plain if re.search(r"[A-Za-z]{2}", words)} <= {
        LAB,
        NAME,
        "Zv",
        "somewhere",
        "kg",
    }


def test_german_says_it_all_with_a_decimal_comma_on_paper() -> None:
    found = everything()
    table, text = both_of(found, speaker("de"), "de")
    text = flat(text)
    for words in (
        "Lösemittelbilanz nach Richtlinie 2010/75/EU Anhang VII Teil 7",
        "Zeitraum: erste Aufzeichnung bis 2026-03",
        "Unterschriften",
        "Aufgestellt von",
        "Aufsicht",
        "Seite 1",
        "Diffuser Anteil F / (I1 + I2)",
        "Der letzte Monat ist nicht vorbei",
        "Lauf → Abfallbehälter",
        "erhöht O6",
    ):
        assert words in text, words
    for value in (found.total.i1, found.total.emission, found.solvents[0].mass.outputs["O6"]):
        assert grams_rounded(value).replace(".", ",") in text
        assert grams_rounded(value) not in text
        assert grams(value) in table
    said = "\n".join(" ".join(row[c] for c in ("solvent", "words", "source")) for row in rows_of(table))
    assert ENGLISH.findall(text) == ENGLISH.findall(said) == []
    assert "Lieferant → Gebinde: erhöht I1: Gekauft." in table


def test_codes_and_numbers_are_the_same_in_any_language() -> None:
    english, german = (list(rows_of(both_of(everything(), speaker(code))[0])) for code in ("en", "de"))
    assert len(english) == len(german)
    for one, other in zip(english, german, strict=True):
        for column in ("part", "code", "mass_g", "volume_ml"):
            assert one[column] == other[column]
    assert tuple(german[0]) == COLUMNS


def test_english_stays_to_the_byte() -> None:
    found = made("Ether", "=Leaf oil", "Żółty & <b>")
    told = {"lab": "Biscuit Club", "cautions": cautions(found, today=TODAY)}
    table = balance_csv(found, TABLE, **told)  # type: ignore[arg-type]
    assert sha256(table).hexdigest() == ENGLISH_CSV
    assert balance_csv(found, TABLE, **told, say=speaker("en")) == table  # type: ignore[arg-type]
    pages = pdf_of(found)
    assert balance_pdf(found, TABLE, **told, say=speaker("en")) == pages  # type: ignore[arg-type]
    assert b"/Lang" not in pages


def test_the_file_names_its_language_and_is_the_same_every_time() -> None:
    import pypdfium2

    found = made()
    once, again = (
        balance_pdf(found, TABLE, lab=LAB, cautions=(), say=speaker("de"), language="de") for _ in range(2)
    )
    assert once == again
    assert b"/Lang (de)" in once
    told = pypdfium2.PdfDocument(once).get_metadata_dict()
    assert told["Title"] == f"Lösemittelbilanz: {LAB}, 2025-01 bis 2025-12"
    assert told["Subject"] == "Lösemittelbilanz"


def test_every_word_of_the_file_is_a_phrase() -> None:
    """A sentence added to the data without its phrase would stay English."""
    table = load_terms()
    told = [table.source, table.no_row["words"], table.feed("supplier", "somewhere").source]
    for term in (*table.terms, table.reuse):
        told += [term.words, term.source]
    for feed in (*table.feeds.values(), table.feed("run", "container")):
        told += [feed.words, feed.source]
    assert [words for words in told if not isinstance(words, Phrase)] == []
    kinds = {kind for ends in table.feeds for kind in ends} | table.stock
    assert kinds == set(KIND_WORDS)
