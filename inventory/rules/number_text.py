"""Numbers as people write them: decimal comma or point, grouped digits, any kind of space.

A number that can be read in two ways is asked about, never guessed.
"""

from __future__ import annotations

import re
import unicodedata
from decimal import Decimal

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

MAX_TEXT = 64
MAX_DIGITS = 18
MAX_MAGNITUDE = 12

_REMEDY = Phrase("Write one number such as 12.5 or 0,50.")
_NUMBER = re.compile(
    r"(?P<sign>[+-]?)\s*"
    r"(?P<body>[0-9](?:[0-9.,]| (?=[0-9]{3}(?![0-9])))*|[.,][0-9]+)"
    r"(?P<exp>[eE][+-]?[0-9]{1,9}(?![0-9A-Za-z]))?"
)
_GROUPED = {sep: re.compile(rf"[0-9]{{1,3}}(?:\{sep}[0-9]{{3}})+") for sep in (".", ",", " ")}
_SIGNS = {
    "−": "-",
    "–": "-",
    "℃": "°C",
    "℉": "°F",
    "³": "3",
    "µ": "u",
    "μ": "u",
    "㎖": "mL",
    "ℓ": "l",
    "º": "°",
}


def plain(text: str) -> str:
    """The text with every kind of space as one plain space and look-alike signs as the plain one."""
    swapped = "".join(
        " " if unicodedata.category(c) == "Zs" or c in "\t\r\n" else _SIGNS.get(c, c) for c in text
    )
    return " ".join(swapped.split())


def split_number(text: str, *, field: str) -> tuple[Decimal, str]:
    """(number, the rest) of a text such as "12,5 mL".

    Errors (codes): too-long, empty, not-a-number, ambiguous-number, too-many-digits, out-of-range.
    """
    if len(text) > MAX_TEXT:
        raise InputError(
            field,
            "too-long",
            Phrase("The text is longer than {max_text} characters.", max_text=MAX_TEXT),
            _REMEDY,
        )
    text = plain(text)
    if not text:
        raise InputError(field, "empty", Phrase("No amount is given."), _REMEDY)
    found = _NUMBER.match(text)
    if not found:
        raise InputError(
            field, "not-a-number", Phrase("'{text}' does not start with a number.", text=text), _REMEDY
        )
    rest = text[found.end() :].strip()
    if rest[:1].isnumeric() or rest[:1] in tuple("/⁄.,-+~") or found["body"][-1:] in ",":
        raise InputError(
            field, "not-a-number", Phrase("'{text}' is not one number and a unit.", text=text), _REMEDY
        )
    digits = _decimal_text(found["body"].rstrip("."), text, field)
    return _bounded(found["sign"] + digits + (found["exp"] or ""), text, field), rest


def _decimal_text(body: str, text: str, field: str) -> str:
    """The digits with a point as decimal mark and no grouping."""
    whole = body.replace(" ", "") if _spaces_group(body) else body
    if " " in whole:
        raise InputError(
            field, "not-a-number", Phrase("'{text}' holds more than one number.", text=text), _REMEDY
        )
    points, commas = whole.count("."), whole.count(",")
    if points and commas:
        return _two_marks(whole, text, field)
    if points + commas == 0:
        return whole
    mark = "." if points else ","
    if points + commas > 1:
        return _grouped(whole, mark, text, field)
    before, after = whole.split(mark)
    if mark == "," and len(after) == 3 and 1 <= len(before) <= 3 and before.strip("0") and " " not in body:
        raise InputError(
            field,
            "ambiguous-number",
            Phrase("'{text}' can be read with a decimal comma or with grouped thousands.", text=text),
            Phrase(
                "Write {before}.{after} for a decimal or {before}{after} for thousands.",
                before=before,
                after=after,
            ),
        )
    return f"{before or '0'}.{after}"


def _spaces_group(body: str) -> bool:
    """Whether the spaces stand between full groups of three digits before the decimal mark."""
    return bool(_GROUPED[" "].fullmatch(re.split(r"[.,]", body)[0]))


def _two_marks(whole: str, text: str, field: str) -> str:
    """A point and a comma: the last is the decimal mark, the other must group properly."""
    mark = max(".,", key=whole.rfind)
    before, after = whole.rsplit(mark, 1)
    if mark in before:
        raise InputError(
            field, "not-a-number", Phrase("'{text}' has too many decimal marks.", text=text), _REMEDY
        )
    return f"{_grouped(before, '.' if mark == ',' else ',', text, field)}.{after}"


def _grouped(whole: str, mark: str, text: str, field: str) -> str:
    if not _GROUPED[mark].fullmatch(whole):
        raise InputError(
            field,
            "not-a-number",
            Phrase("'{text}' is not a number with grouped thousands.", text=text),
            _REMEDY,
        )
    return whole.replace(mark, "")


def _bounded(number: str, text: str, field: str) -> Decimal:
    """The decimal, refused when it has more digits or a greater size than any real amount."""
    value = Decimal(number)
    if len(value.as_tuple().digits) > MAX_DIGITS:
        raise InputError(
            field,
            "too-many-digits",
            Phrase("'{text}' has more than {max_digits} digits.", text=text, max_digits=MAX_DIGITS),
            _REMEDY,
        )
    if (value and abs(value.adjusted()) > MAX_MAGNITUDE) or abs(int(value.as_tuple().exponent)) > MAX_DIGITS:
        raise InputError(
            field,
            "out-of-range",
            Phrase("'{text}' is outside anything that can be meant.", text=text),
            _REMEDY,
        )
    return value or abs(value)
