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

MAY_FORM = "May form peroxides. Test before use and before distilling."
NOT_KNOWN = "Hazards not on record here: see the maker's label and data sheet."


@dataclass(frozen=True)
class LabelText:
    """One label. address: what its QR code holds. dated: words and the day already known, "" to be written.

    pictograms: codes as GHS02, in the order of the catalogue. statements: hazard statements with their codes.
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


@dataclass(frozen=True)
class Hazards:
    """Signal word, pictogram codes and hazard statements of one solvent."""

    signal_word: str
    pictograms: tuple[str, ...]
    statements: tuple[str, ...]
    known: bool


@cache
def statement_words() -> Mapping[str, str]:
    """Hazard statements by code."""
    with (DATA / "hazard_statements.csv").open(encoding="utf-8", newline="") as file:
        return MappingProxyType({row["code"]: row["words"] for row in csv.DictReader(file)})


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


def hazards_of(key: str) -> Hazards:
    """The hazards of a shipped solvent; of another one, none that are known."""
    row = _rows().get(key) if key in load_catalogue() else None
    codes = [] if row is None else [*row["h_codes"].split(), *row["euh_codes"].split()]
    if row is None or not codes:
        return Hazards("", (), (), known=False)
    words = statement_words()
    told = tuple(f"{code} {words[code]}." for code in codes)
    return Hazards(row["signal_word"], tuple(row["pictograms"].split()), told, known=True)
