"""What stands on a label: the words and signs that a container's hazards call for, each from the catalogue.

A solvent of which the catalogue knows no hazards gets no signs, and the label says so: no sign is no promise.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from inventory.rules.catalogue import load_catalogue
from inventory.rules.names import DATA
from inventory.rules.phrases import Phrase

MAY_FORM = Phrase("May form peroxides. Test before use and before distilling.")
# One that has stood too long, or since nobody knows when: to open it is the dangerous part of testing it.
MAY_FORM_ASK = Phrase("May form peroxides. Ask the supervisor before opening it to test it.")
LEAVE = Phrase("Do not touch, open or move it. Ask a supervisor.")
# It may be carried to where it is collected.
KEEP_SHUT = Phrase("Do not use, open or test it. Ask a supervisor.")
NOT_KNOWN = Phrase("Hazards not on record here: see the maker's label and data sheet.")
# CLP article 20 and Annex I 1.2; the German ones as the German text of the regulation has them.
SIGNAL_WORDS = MappingProxyType({"Danger": Phrase("Danger"), "Warning": Phrase("Warning")})
# Statements in other languages stand beside the English ones: the words are the regulation's.
WORDS_IN = MappingProxyType({"de": "words_de"})


@dataclass(frozen=True)
class LabelText:
    """One label. address: what its QR code holds. dated: words and the day already known, "" to be written.

    pictograms: codes as GHS02, in the order of the catalogue. statements: hazard statements with their codes.
    may_form, not_known: what is said of a former, and where no hazards are on record. leave: said of one that
    is not to be touched or used, instead of a call to test it. emergency: what to do then, "" for nothing.
    """

    name: str
    code: str
    address: str
    signal_word: str = ""
    pictograms: tuple[str, ...] = ()
    statements: tuple[str, ...] = ()
    may_form_peroxides: bool = False
    known: bool = True
    dated: tuple[tuple[str, str], ...] = ()
    lab: str = ""
    contact: str = ""
    detail: str = ""
    may_form: str = MAY_FORM
    not_known: str = NOT_KNOWN
    leave: str = ""
    emergency: str = ""


@dataclass(frozen=True)
class Hazards:
    """Signal word, pictogram codes and hazard statements of one solvent."""

    signal_word: str
    pictograms: tuple[str, ...]
    statements: tuple[str, ...]
    known: bool


@cache
def statement_words(language: str = "en") -> Mapping[str, str]:
    """Hazard statements by code, in English where a language has none on record."""
    column = WORDS_IN.get(language, "words")
    with (DATA / "hazard_statements.csv").open(encoding="utf-8", newline="") as file:
        return MappingProxyType({row["code"]: row[column] for row in csv.DictReader(file)})


@cache
def symbols() -> Mapping[str, Sequence[Sequence[tuple[int, int]]]]:
    """Outlines of the GHS symbols by code: polygons in thousandths of the square, y downwards, even-odd."""
    found: Mapping[str, Sequence[Sequence[tuple[int, int]]]] = json.loads(
        (DATA / "ghs_symbols.json").read_text(encoding="utf-8")
    )
    return MappingProxyType(dict(found))


@cache
def _rows() -> Mapping[str, Mapping[str, str]]:
    with (DATA / "solvents.csv").open(encoding="utf-8", newline="") as file:
        return MappingProxyType({row["key"]: row for row in csv.DictReader(file)})


def hazards_of(key: str, language: str = "en") -> Hazards:
    """The hazards of a shipped solvent, statements in a language; of another one, none that are known."""
    row = _rows().get(key) if key in load_catalogue() else None
    codes = [] if row is None else [*row["h_codes"].split(), *row["euh_codes"].split()]
    if row is None or not codes:
        return Hazards("", (), (), known=False)
    words = statement_words(language)
    told = tuple(f"{code} {words[code]}." for code in codes)
    signal_word = SIGNAL_WORDS.get(row["signal_word"], row["signal_word"])
    return Hazards(signal_word, tuple(row["pictograms"].split()), told, known=True)
