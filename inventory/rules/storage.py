"""How much may stand where: limits as data, exact volumes, and what each stand counts for.

A limit is a figure from a published table that a lab applies to one of its locations. Figures are kept as
exact fractions (1 US gal = 231 in³ = 3.785411784 L) and rounded down to whole microlitres. What is not known
counts as the worst: no category is the most dangerous one, no material takes the smallest size.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import cache
from math import floor
from pathlib import Path
from typing import Any, Literal

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.table_words import table_words

Measure = Literal["total", "container", "waste"]
Effect = Literal["warn", "refuse"]
Scheme = Literal["ghs", "nfpa30"]

LIMITS_FILE = Path(__file__).parent.parent / "data" / "storage_limits.toml"
MEASURES: tuple[Measure, ...] = ("total", "container", "waste")
EFFECTS: tuple[Effect, ...] = ("warn", "refuse")
CATEGORIES: dict[str, tuple[str, ...]] = {
    "ghs": ("1", "2", "3", "4"),
    "nfpa30": ("IA", "IB", "IC", "II", "IIIA", "IIIB"),
}
NOT_FLAMMABLE = "none"
MATERIALS = ("glass", "plastic", "metal", "safety-can", "drum", "tank")

# NIST Handbook 44, Appendix C: 1 US gal = 231 in³ exactly (from memory).
GALLON_UL = Fraction(3_785_411_784, 1000)
UNITS_UL = {
    "US gal": GALLON_UL,
    "US quart": GALLON_UL / 4,
    "US pint": GALLON_UL / 8,
    "L": Fraction(1_000_000),
    "mL": Fraction(1000),
}
# The international foot is 0.3048 m exactly.
SQUARE_FEET_100_M2 = 100 * Fraction(3048, 10_000) ** 2
# Sizes that bottles are sold in; which of them is nearest is our reading of the footnote to Table H-12.
METRIC_SIZES_UL = tuple(ml * 1000 for ml in (100, 250, 500, 1000, 2000, 2500, 4000, 5000, 10_000, 20_000))

# Words that people write for what a container is made of, whole words only. The first that fits counts, so
# that a "plastic safety can" is one. A drum or tank counts as such only when its approval is told.
_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("safety-can", ("safety can", "safety cans", "safety-can")),
    ("drum", ("dot drum", "dot metal drum", "un drum", "approved drum")),
    ("tank", ("portable tank", "approved portable tank")),
    ("glass", ("glass", "amber", "borosilicate", "glas", "verre", "vidrio")),
    ("plastic", ("plastic", "hdpe", "ldpe", "pe", "pp", "ptfe", "fep", "polyethylene", "polypropylene")),
    ("metal", ("metal", "steel", "stainless", "tin", "tinplate", "aluminium", "aluminum", "iron", "drum")),
)


@dataclass(frozen=True)
class Template:
    """One row of the shipped table. `amount_ul` is exact; per area: for each 100 ft² of floor."""

    key: str
    name: str
    measure: Measure
    scheme: Scheme
    categories: frozenset[str]
    materials: frozenset[str]
    amount: str
    amount_ul: Fraction
    per_100_ft2: bool
    nearest_metric: bool
    outside_cabinets: bool
    effect: Effect
    set: str
    code: str
    source: str
    note: str


@dataclass(frozen=True)
class Reduction:
    """What a floor or a way of working takes off a figure that goes by area."""

    key: str
    name: str
    keep_percent: int
    source: str


@dataclass(frozen=True)
class Limit:
    """What holds in one location. categories, materials empty: any. `limit_ul` > 0, at 20 °C."""

    id: int
    name: str
    measure: str
    scheme: str
    categories: frozenset[str]
    materials: frozenset[str]
    limit_ul: int
    effect: str
    code: str
    source: str
    outside_cabinets: bool = False


@dataclass(frozen=True)
class Stand:
    """What stands somewhere: a container's content in µl, its size, and what it is made of ("" not known).

    ghs, nfpa30: its category, "none" for what does not burn; "" is not known, the worst.
    """

    name: str
    volume_ul: int
    capacity_ul: int
    ghs: str = ""
    nfpa30: str = ""
    material: str = ""
    in_cabinet: bool = False
    extra: Mapping[str, Any] = field(default_factory=dict)


def counts_in(limit: Limit, stand: Stand) -> bool:
    """Whether a limit speaks of that content at all: category, material, and where it stands."""
    if limit.outside_cabinets and stand.in_cabinet:
        return False
    if limit.materials and stand.material and stand.material not in limit.materials:
        return False
    category = category_worst(stand.ghs if limit.scheme == "ghs" else stand.nfpa30, limit.scheme)
    return not limit.categories or category in limit.categories


def category_worst(category: str, scheme: str) -> str:
    """The category as recorded, or the most dangerous one when it is none that the scheme knows."""
    known = CATEGORIES[scheme]
    return category if category in known or category == NOT_FLAMMABLE else known[0]


def total_ul(limit: Limit, stands: Iterable[Stand]) -> int:
    """How much of what stands there counts in the limit, in µl."""
    return sum(stand.volume_ul for stand in stands if counts_in(limit, stand))


def over_by_ul(limit: Limit, stands: Iterable[Stand]) -> int:
    """How far a limit is exceeded, in µl; 0 when it is kept.

    A limit on one container is held against the size of each, filled or not, and tells of the largest.
    """
    held = list(stands)
    if limit.measure == "container":
        sizes = [stand.capacity_ul for stand in held if counts_in(limit, stand)]
        return max(0, max(sizes, default=0) - limit.limit_ul)
    return max(0, total_ul(limit, held) - limit.limit_ul)


def sizes_for(limits: Iterable[Limit], stand: Stand) -> list[Limit]:
    """The limits on one container that hold for it: of each rule (its code) the smallest that may apply."""
    found: dict[str, Limit] = {}
    for limit in limits:
        if limit.measure != "container" or not counts_in(limit, stand):
            continue
        known = found.get(limit.code)
        if known is None or limit.limit_ul < known.limit_ul:
            found[limit.code] = limit
    return list(found.values())


def material_of(text: str) -> str:
    """The material of a container from free words; "" when they name none that is known here."""
    words = " " + " ".join(re.findall(r"[a-z]+", text.casefold())) + " "
    for material, names in _WORDS:
        if any(f" {' '.join(re.findall('[a-z]+', name))} " in words for name in names):
            return material
    return ""


def amount_ul(text: str) -> Fraction:
    """An amount of the table, as "60 US gal" or "500 mL", in exact microlitres. Raises ValueError."""
    number, _, unit = text.partition(" ")
    if unit not in UNITS_UL:
        raise ValueError(f"{text}: unit {unit!r} is none of {', '.join(UNITS_UL)}")
    return Fraction(Decimal(number)) * UNITS_UL[unit]


def nearest_metric_ul(volume_ul: Fraction) -> int:
    """The metric bottle size nearest to a customary one; the smaller of two that are equally near."""
    return min(METRIC_SIZES_UL, key=lambda size: (abs(size - volume_ul), size))


def limit_of(
    template: Template, *, area_m2: Decimal | None = None, reduction: Reduction | None = None
) -> int:
    """The limit in whole µl that a template gives for a room of that area.

    Raises InputError naming `area_m2` when the area is missing, not above zero, or not asked for, and
    `reduction` when the figure does not go by area.
    """
    if not template.per_100_ft2:
        if area_m2 is not None or reduction is not None:
            name = "area_m2" if area_m2 is not None else "reduction"
            raise InputError(
                name,
                "not-by-area",
                Phrase("“{name}” does not go by area.", name=template.name),
                Phrase("Leave it out."),
            )
        exact = template.amount_ul
        return max(floor(exact), nearest_metric_ul(exact)) if template.nearest_metric else floor(exact)
    if area_m2 is None or area_m2 <= 0:
        raise InputError(
            "area_m2",
            "missing",
            Phrase("“{name}” goes by area.", name=template.name),
            Phrase("Give the floor area in square metres."),
        )
    share = Fraction(reduction.keep_percent, 100) if reduction else Fraction(1)
    limit_ul = floor(template.amount_ul * Fraction(area_m2) / SQUARE_FEET_100_M2 * share)
    if limit_ul < 1:
        raise InputError(
            "area_m2",
            "too-small",
            Phrase("Nothing may stand on so small an area."),
            Phrase("Check the area."),
        )
    return limit_ul


@cache
def load_templates() -> dict[str, Template]:
    """The shipped rows by key, in the order of the file."""
    rows = [_template(row) for row in _table()["limits"]]
    return {row.key: row for row in rows}


@cache
def load_reductions() -> dict[str, Reduction]:
    return {
        row["key"]: Reduction(**{**row, "name": table_words(row["name"])}) for row in _table()["reductions"]
    }


def _table() -> dict[str, Any]:
    return tomllib.loads(LIMITS_FILE.read_text(encoding="utf-8"))


def _template(row: Mapping[str, Any]) -> Template:
    scheme = row.get("scheme", "ghs")
    found = Template(
        key=row["key"],
        name=table_words(row["name"]),
        measure=row["measure"],
        scheme=scheme,
        categories=frozenset(row.get("categories", ())),
        materials=frozenset(row.get("materials", ())),
        amount=row["amount"],
        amount_ul=amount_ul(row["amount"]),
        per_100_ft2=row.get("per_100_ft2", False),
        nearest_metric=row.get("nearest_metric", False),
        outside_cabinets=row.get("outside_cabinets", False),
        effect=row["effect"],
        set=row.get("set", ""),
        code=table_words(row["code"]),
        source=row["source"],
        note=row.get("note", ""),
    )
    check_words(found.measure, found.effect, scheme, found.categories, found.materials)
    return found


def check_words(
    measure: str, effect: str, scheme: str, categories: Iterable[str], materials: Iterable[str]
) -> None:
    """Raises InputError naming the field that holds a word nobody knows."""
    one = {"measure": (measure, MEASURES), "effect": (effect, EFFECTS), "scheme": (scheme, CATEGORIES)}
    for name, (word, known) in one.items():
        if word not in known:
            raise InputError(
                name,
                "unknown-choice",
                Phrase("“{word}” is not known.", word=word),
                Phrase("Use {known}.", known=", ".join(known)),
            )
    many = {"categories": (categories, CATEGORIES[scheme]), "materials": (materials, MATERIALS)}
    for name, (words, known) in many.items():
        strange = sorted(set(words) - set(known))
        if strange:
            raise InputError(
                name,
                "unknown-choice",
                Phrase("“{word}” is not known.", word=strange[0]),
                Phrase("Use {known}.", known=", ".join(known)),
            )
