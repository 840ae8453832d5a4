"""How long waste may be kept, as data, and when a waste container is due to go."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path

from inventory.rules.phrases import Phrase

WASTE_FILE = Path(__file__).parent.parent / "data" / "waste_rules.toml"
COMMON = Phrase("common practice, no source")
# The level that ordinary waste pick-up takes, and whom to ask above it.
FORMER_CAUTION = (
    Phrase(
        "Peroxide formers: test before they go into waste. Above 20 ppm ordinary pick-up may refuse them: "
        "ask."
    ),
    Phrase("MIT EHS"),
)
# Of one that nobody is to open, not even to test it.
FORMER_LEFT_ALONE = (
    Phrase("Peroxide formers: above 20 ppm ordinary pick-up may refuse them. Ask before anything is moved."),
    Phrase("MIT EHS"),
)
CAUTIONS = (
    (
        Phrase("Keep it closed, and labelled with what is in it and the day of the first waste."),
        "40 CFR 262.15",
    ),
    (Phrase("Never fill a container to the brim: liquids expand."), COMMON),
    (Phrase("Follow your local code; a licensed contractor disposes of it."), COMMON),
)
# What whoever fills one reads before anything else.
FIRST = Phrase(
    "Nothing that shows peroxides, crystals or a stuck cap is poured: leave it, and tell the supervisor and "
    "the licensed disposer first. Never mix what may react: your local rules say what goes together, and "
    "what stands in no list here is not safe for that."
)
# What comes before anything else where peroxides were found in what went in, or signs of them seen.
SUSPECT_CAUTIONS = (
    (
        Phrase(
            "Leave it where it is and shut: do not open, shake, top up, pour or carry it. Keep heat and "
            "others away from it."
        ),
        COMMON,
    ),
    (
        Phrase(
            "Tell the supervisor and the licensed disposer what went in and what was found, before anybody "
            "moves it. Ordinary pick-up may not take it."
        ),
        COMMON,
    ),
    (
        Phrase(
            "What happens next is the disposer's to say. Nobody here destroys peroxides in waste, or dilutes "
            "it to make it pass."
        ),
        COMMON,
    ),
)


@dataclass(frozen=True)
class Keeping:
    """How many days waste of some kind of lab may be kept, from the first waste in a container."""

    key: str
    name: str
    days: int
    source: str

    @property
    def told(self) -> str:
        """Where its days are from, as it is kept with a waste container."""
        return f"{self.name}. {self.source}"[:200]


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
