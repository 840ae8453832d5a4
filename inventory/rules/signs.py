"""Signs that are seen on a container without opening it, and what each comes to whatever the policy says.

A policy may be stricter than this floor (its `handling` rows), never milder. A sign stands until a steward
withdraws it: a passed test does not take it away.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from inventory.rules.levels import Level
from inventory.rules.phrases import Phrase


@dataclass(frozen=True)
class Sign:
    """A sign. former, other: the level it gives a peroxide former, and any other solvent."""

    code: str
    words: str
    former: Level
    other: Level
    source: str


# Worst first; the first one present is shown and opens an alert.
_ROWS = (
    Sign(
        "crystals",
        Phrase("Crystals or solids were seen."),
        "do-not-touch",
        "do-not-touch",
        Phrase("Michigan State EHS: crystals, solids: do not open, call; UCLA EHS: do not handle"),
    ),
    Sign(
        "viscous-layer",
        Phrase("An oily or viscous layer was seen."),
        "do-not-touch",
        "do-not-touch",
        Phrase(
            "Virginia Tech: oily viscous layer or precipitate, do not use; Cornell waste manual 7.16: odd "
            "viscosity, do not open or move"
        ),
    ),
    Sign(
        "cloudy",
        Phrase("It was seen to be cloudy."),
        "do-not-touch",
        "do-not-touch",
        Phrase("Michigan State EHS: cloudiness: do not open, call"),
    ),
    Sign(
        "cap-stuck",
        Phrase("The cap is stuck."),
        "do-not-touch",
        "do-not-use",
        Phrase("Peroxide in the thread may go off when it is forced: common practice, no source"),
    ),
    Sign(
        "cap-rusted",
        Phrase("The cap or can is rusted."),
        "do-not-touch",
        "do-not-use",
        Phrase("Our choice above Virginia Tech, which has rusted undated containers disposed of"),
    ),
    Sign(
        "odd-colour",
        Phrase("An odd colour was seen."),
        "do-not-touch",
        "do-not-use",
        Phrase("Cornell waste manual 7.16: discoloration, do not open or move"),
    ),
    Sign(
        "peroxide-unknown",
        Phrase("A remark says that its peroxides are in doubt."),
        "test-first",
        "test-first",
        Phrase("When a fact is missing, the worse is assumed: our choice, not published"),
    ),
    Sign(
        "label-unreadable",
        Phrase("The label cannot be read in full."),
        "test-first",
        "test-first",
        Phrase("When a fact is missing, the worse is assumed: our choice, not published"),
    ),
    Sign(
        "dates-doubtful",
        Phrase("Its dates are in doubt."),
        "test-first",
        "test-first",
        Phrase("When a fact is missing, the worse is assumed: our choice, not published"),
    ),
)
SIGN_ROWS: Mapping[str, Sign] = MappingProxyType({sign.code: sign for sign in _ROWS})
SIGNS = tuple(SIGN_ROWS)
# A program reads the code, a person the word of their language.
SIGN_CODES: Mapping[str, Phrase] = {
    "crystals": Phrase("crystals"),
    "viscous-layer": Phrase("viscous-layer"),
    "cloudy": Phrase("cloudy"),
    "cap-stuck": Phrase("cap-stuck"),
    "cap-rusted": Phrase("cap-rusted"),
    "odd-colour": Phrase("odd-colour"),
    "peroxide-unknown": Phrase("peroxide-unknown"),
    "label-unreadable": Phrase("label-unreadable"),
    "dates-doubtful": Phrase("dates-doubtful"),
}


def code_said(code: str) -> str:
    """The code as a phrase, where it is one of ours."""
    return SIGN_CODES.get(code, code)


def sign_named(code: str) -> Sign:
    """The sign with this code; one that nobody knows counts as the worst."""
    if code in SIGN_ROWS:
        return SIGN_ROWS[code]
    words = Phrase('A sign was recorded that has no rule ("{code}").', code=code)
    return Sign(
        code,
        words,
        "do-not-touch",
        "do-not-touch",
        Phrase("An unknown sign is taken as the worst: our choice, not published"),
    )
