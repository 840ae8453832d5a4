"""How long waste may be kept, as data, and when a waste container is due to go."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path

WASTE_FILE = Path(__file__).parent.parent / "data" / "waste_rules.toml"
# The level that ordinary waste pick-up takes, and whom to ask above it.
FORMER_CAUTION = (
    "Peroxide formers: test before they go into waste. Above 20 ppm ordinary pick-up may refuse them: ask.",
    "MIT EHS",
)
CAUTIONS = (
    (
        "Keep it closed, and labelled with what is in it and the day of the first waste.",
        "40 CFR 262.15",
    ),
    ("Never fill a container to the brim: liquids expand.", "common practice, no source"),
    ("Follow your local code; a licensed contractor disposes of it.", "common practice, no source"),
)


@dataclass(frozen=True)
class Keeping:
    """How many days waste of some kind of lab may be kept, from the first waste in a container."""

    key: str
    name: str
    days: int
    source: str


@dataclass(frozen=True)
class Monthly:
    """How much waste may come about in a calendar month, in kg."""

    key: str
    name: str
    mass_kg: int
    source: str


def collect_by(started_on: date, days_max: int) -> date:
    """The last day a waste container may still be here: `days_max` days after its first waste."""
    return started_on + timedelta(days=days_max)


@cache
def load_keeping() -> dict[str, Keeping]:
    rows = tomllib.loads(WASTE_FILE.read_text(encoding="utf-8"))["keeping"]
    return {row["key"]: Keeping(**row) for row in rows}


@cache
def load_monthly() -> dict[str, Monthly]:
    rows = tomllib.loads(WASTE_FILE.read_text(encoding="utf-8"))["monthly"]
    return {row["key"]: Monthly(**row) for row in rows}
