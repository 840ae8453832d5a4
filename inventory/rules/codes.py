"""Short container codes that people read aloud, write on tape and type with gloves on.

31 characters: digits and capitals without 0, O, 1, I and L, which are mistaken for each other.
The last character is a check character by the pure system of ISO/IEC 7064: with character values v and
radix r, the weighted sum of all values is 1 modulo M. Here M = 31 and r = 3.

Why it holds: M is prime and no weight 3^k is 0 modulo 31, so one wrong character always changes the sum;
3 is a primitive root of 31, so weights repeat only after 30 places, and swapping any two different
characters of a code (neighbours included) always changes the sum too. M equals the alphabet's size, so the
check character needs no extra sign. The sum starts from 1, which makes a leading "2" (value 0) count as well.

Codes that a club brings along, such as B01, are stored as they stand: they carry no check character and
never pass through `check_code`. Look a typed text up as it stands first.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
MODULUS = len(ALPHABET)
RADIX = 3
CODE_LENGTH_MAX = 30
NUMBER_LENGTH_MIN = 3
_VALUES = {character: value for value, character in enumerate(ALPHABET)}


def make_code(number: int, prefix: str = "") -> str:
    """The code of the container with this running number: prefix, number in base 31, check character.

    Different numbers give different codes under one prefix. Raises InputError for a negative number, a prefix
    with a character outside the alphabet, or a code over 30 characters.
    """
    if number < 0:
        raise InputError(
            "number",
            "number-negative",
            Phrase("The running number is below zero."),
            Phrase("Count from 0 up."),
        )
    body = _clean(prefix, "prefix") + _in_base_31(number)
    if len(body) >= CODE_LENGTH_MAX:
        raise InputError(
            "prefix", "code-too-long", Phrase("The code gets too long."), Phrase("Use a shorter prefix.")
        )
    check = pure_system_check((_VALUES[character] for character in body), MODULUS, RADIX, start=1)
    return body + ALPHABET[check]


def check_code(text: str, *, field: str = "code") -> str:
    """The code in its one stored form (capitals, no spaces or hyphens), or InputError.

    Catches any one wrong character and any swap of two characters. Error codes: code-empty, code-too-long,
    code-character-unknown, check-character-wrong.
    """
    code = _clean(text, field)
    if len(code) < 2:
        raise InputError(
            field, "code-empty", Phrase("No code was given."), Phrase("Type the code on the label.")
        )
    if len(code) > CODE_LENGTH_MAX:
        raise InputError(
            field,
            "code-too-long",
            Phrase("This is longer than any code."),
            Phrase("Type the code on the label."),
        )
    values = [_VALUES[character] for character in code]
    if pure_system_check(values[:-1], MODULUS, RADIX, start=1) != values[-1]:
        raise InputError(
            field,
            "check-character-wrong",
            Phrase(
                "{code} is not a code from a label: the last character does not fit the others.", code=code
            ),
            Phrase("Compare it with the label, character by character."),
        )
    return code


def pure_system_check(values: Iterable[int], modulus: int, radix: int, *, start: int = 0) -> int:
    """Value of the one check character of an ISO/IEC 7064 pure system (sum congruent to 1)."""
    total = start
    for value in values:
        total = (total + value) * radix % modulus
    return (1 - total) % modulus


def _in_base_31(number: int) -> str:
    digits = ""
    while number:
        number, value = divmod(number, MODULUS)
        digits = ALPHABET[value] + digits
    return digits.rjust(NUMBER_LENGTH_MIN, ALPHABET[0])


def _clean(text: str, field: str) -> str:
    """Capitals without separators; NFKC because phone keyboards send full-width characters."""
    folded = unicodedata.normalize("NFKC", text).upper()
    kept = [c for c in folded if not c.isspace() and unicodedata.category(c) not in {"Pd", "Cf"}]
    unknown = sorted({c for c in kept if c not in _VALUES})
    if unknown:
        raise InputError(
            field,
            "code-character-unknown",
            Phrase("Codes never contain {part}.", part=" ".join(unknown)),
            Phrase("Look again: 0, O, 1, I and L are left out of codes because they are easily mistaken."),
        )
    return "".join(kept)
