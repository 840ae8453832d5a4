"""The shipped references and uses for recovered solvent, read once from data."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any, Literal

from inventory.rules.phrases import Phrase

QUALITY_FILE = Path(__file__).parent.parent / "data" / "quality.toml"
What = Literal["density", "refractive-index", "boiling-range", "water"]
WHATS: tuple[What, ...] = ("density", "refractive-index", "boiling-range", "water")
# The unit in which a property is kept.
PROPERTY_WORDS: Mapping[str, str] = {
    "density": Phrase("density"),
    "refractive-index": Phrase("refractive index"),
    "boiling-range": Phrase("boiling range"),
    "water": Phrase("water"),
}
# The same where English has the key.
PROPERTY_KEYS: Mapping[str, str] = {
    **PROPERTY_WORDS,
    "refractive-index": Phrase("refractive-index"),
    "boiling-range": Phrase("boiling-range"),
}
UNITS: Mapping[str, str] = {"density": "kg/m3", "refractive-index": "1", "boiling-range": "Cel", "water": "%"}


@dataclass(frozen=True, slots=True)
class Index:
    """Refractive index n(D) of a solvent. value: at `at_c` °C. per_k: None takes the usual one."""

    value: Decimal
    at_c: Decimal
    source: str
    per_k: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """What must be shown for a use. within: half width about the reference, a share for the density.

    highest: of what has no reference, such as water in mass %. age_max_days: of the check, None: any.
    """

    what: What
    within: Decimal | None = None
    highest: Decimal | None = None
    age_max_days: int | None = None


@dataclass(frozen=True, slots=True)
class UseData:
    """A use that recovered solvent may be fit for."""

    key: str
    name: str
    source: str
    needs: tuple[Need, ...]


@cache
def _file() -> Mapping[str, Any]:
    return tomllib.loads(QUALITY_FILE.read_text(encoding="utf-8"))


@cache
def figure(table: str, name: str) -> Decimal:
    """A number of the tables tolerance, correction and not_stated."""
    return Decimal(_file()[table][name])


def words(table: str) -> str:
    """The source of a table."""
    return str(_file()[table]["source"])


@cache
def load_indices() -> Mapping[str, Index]:
    """Key of a solvent → its refractive index."""
    rows = _file()["refractive_index"]["rows"]
    return {
        row["solvent"]: Index(
            Decimal(row["value"]),
            Decimal(row["at_c"]),
            row["source"],
            Decimal(row["per_k"]) if "per_k" in row else None,
        )
        for row in rows
    }


@cache
def load_boiling_ranges() -> Mapping[str, tuple[Decimal, Decimal, str]]:
    """Key of a mixture → lowest and highest boiling point in °C, and the source."""
    rows = _file()["boiling_range"]["rows"]
    return {r["solvent"]: (Decimal(r["lowest"]), Decimal(r["highest"]), r["source"]) for r in rows}


@cache
def associated() -> frozenset[str]:
    """Keys of liquids that associate, whose boiling point moves less with the pressure."""
    return frozenset(_file()["correction"]["associated"])


# Names and sources of uses in the shipped file, which keeps English.
_USE_WORDS = {
    str(words): words
    for words in (
        Phrase("Rinsing"),
        Phrase("Extraction"),
        Phrase("Chromatography"),
        Phrase("Reaction"),
        Phrase("our choice, not published"),
        Phrase("our choice, not published; water content is not asked for, since it is shaken with water"),
    )
}


def _said(text: str) -> str:
    return _USE_WORDS.get(text, text)


@cache
def load_uses() -> Mapping[str, UseData]:
    """Key → use, in the order of the file."""
    return {
        row["key"]: UseData(
            row["key"], _said(row["name"]), _said(row["source"]), tuple(_need(one) for one in row["needs"])
        )
        for row in _file()["use"]
    }


def _need(row: Mapping[str, Any]) -> Need:
    numbers: Any = {name: Decimal(row[name]) if name in row else None for name in ("within", "highest")}
    return Need(what=row["what"], age_max_days=row.get("age_max_days"), **numbers)
