"""The five levels of a verdict, the uses it is asked for, and which level allows which use.

| level | draw | distil | keep | open | move |
|---|---|---|---|---|---|
| use | yes | yes | yes | yes | yes |
| test-first | no | no | yes | yes, to test it | yes |
| do-not-distil | yes | no | yes | yes | yes |
| do-not-use | no | no | no: have it disposed of | no | yes, to where it is collected |
| do-not-touch | no | no | no: leave it where it is and get help | no | no |

"do-not-distil" stands above "test-first" and yet allows drawing, so it is a level of the use "distil" alone:
for any other use a reason that only forbids distilling counts as "use" (`for_use`). Our choice, not
published.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Literal, get_args

from inventory.rules.phrases import Phrase

Level = Literal["use", "test-first", "do-not-distil", "do-not-use", "do-not-touch"]
Use = Literal["draw", "distil", "keep", "open", "move"]

LEVELS: tuple[Level, ...] = get_args(Level)
USES: tuple[Use, ...] = get_args(Use)
RANK: Mapping[Level, int] = MappingProxyType({level: rank for rank, level in enumerate(LEVELS)})
LEVEL_WORDS: Mapping[Level, str] = MappingProxyType(
    {
        "use": Phrase("Use"),
        "test-first": Phrase("Test before use"),
        "do-not-distil": Phrase("Do not distil"),
        "do-not-use": Phrase("Do not use: have it disposed of"),
        "do-not-touch": Phrase("Do not touch: get help"),
    }
)
USE_WORDS: Mapping[Use, str] = MappingProxyType(
    {
        "draw": Phrase("take some out"),
        "distil": Phrase("concentrate or distil"),
        "keep": Phrase("keep in stock"),
        "open": Phrase("open"),
        "move": Phrase("move"),
    }
)
_ALLOWED: Mapping[Level, frozenset[Use]] = MappingProxyType(
    {
        "use": frozenset(USES),
        "test-first": frozenset({"keep", "open", "move"}),
        "do-not-distil": frozenset({"draw", "keep", "open", "move"}),
        "do-not-use": frozenset({"move"}),
        "do-not-touch": frozenset(),
    }
)


def allows(level: Level, use: Use) -> bool:
    """Whether a level allows a use, by the table above."""
    return use in _ALLOWED[level]


def for_use(level: Level, use: Use) -> Level:
    """What a level comes to for one use: "do-not-distil" is no hindrance to anything but distilling."""
    return "use" if level == "do-not-distil" and use != "distil" else level


def gravest(levels: Iterable[Level]) -> Level:
    """The worst of some levels; of none, "use"."""
    return max(levels, key=lambda level: RANK[level], default="use")
