"""The source of a heel as a run keeps it, built again from shipped words so that any language can say it."""

from __future__ import annotations

import re

from inventory.rules.phrases import Phrase
from inventory.rules.verdict_distilling import HEEL_DEFAULT_SOURCE

__all__ = ["heel_words"]

SEVERAL = " / "  # between the sources of several clearances
_KNOWN = {
    str(words): words
    for words in (
        HEEL_DEFAULT_SOURCE,
        Phrase("The larger published figure: UC campuses 20 % (from memory); Virginia Tech at least 10 %"),
        Phrase("Virginia Tech: leave at least 10 % of the starting volume"),
    )
}
_TAKEN = re.compile(r"Taken from the cautious default, because (.+?) publishes none: (.+)")


def heel_words(stored: str) -> str:
    """What a run keeps as the source of its heel; words that nobody shipped stay as they are."""
    return Phrase.joined([_one(source) for source in stored.split(SEVERAL)], SEVERAL)


def _one(source: str) -> str:
    taken = _TAKEN.fullmatch(source)
    if taken is None:
        return _KNOWN.get(source, source)
    return Phrase(
        "Taken from the cautious default, because {name} publishes none: {source}",
        name=taken[1],
        source=_KNOWN.get(taken[2], taken[2]),
    )
