"""One way to compare what people typed: case, accents, spacing and odd punctuation do not matter."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

_SPACES = re.compile(r"\s+")
_NOT_WORD = re.compile(r"[^0-9a-z%]+")


@lru_cache(maxsize=65536)
def squeezed(text: str) -> str:
    """Trimmed, runs of white space made one space, case folded. For fingerprints and places."""
    return _SPACES.sub(" ", text).strip().casefold()


@lru_cache(maxsize=65536)
def plain(text: str) -> str:
    """Lower-case letters and digits only, accents dropped, every other run one space. For words."""
    folded = unicodedata.normalize("NFKD", text.casefold())
    letters = "".join(c for c in folded if not unicodedata.combining(c))
    return _NOT_WORD.sub(" ", letters).strip()
