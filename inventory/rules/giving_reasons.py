"""A reason that somebody signs for has to say something: one shared check for overrides and loosening."""

from __future__ import annotations

import re

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

# Long enough to say what and why; our choice, not published.
LETTERS_MIN_LENGTH, WORDS_MIN = 10, 2
REMEDY = Phrase(
    "Say in at least {words_min} words and {letters_min_length} characters why it is right this time.",
    words_min=WORDS_MIN,
    letters_min_length=LETTERS_MIN_LENGTH,
)
_LETTER = r"[^\W\d_]"
_WORD = re.compile(rf"\S*{_LETTER}\S*")


def checked_reason(reason: str, *, what: str, field: str = "reason") -> str:
    """The reason without spare blanks. what: the sentence that says what it is asked for.

    Raises InputError naming the field: "missing", or "reason-too-short" for one that says nothing.
    """
    plain = " ".join(reason.split())
    if not plain:
        raise InputError(field, "missing", what, REMEDY)
    if len(plain) < LETTERS_MIN_LENGTH or len(_WORD.findall(plain)) < WORDS_MIN:
        raise InputError(
            field,
            "reason-too-short",
            Phrase("{what} “{plain}” says too little.", what=what, plain=plain[:40]),
            REMEDY,
        )
    return plain
