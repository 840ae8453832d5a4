"""The lowest lines of a label: whom to call, what to do in an emergency, and the lab. No number is cut.

What gives way where a label has no room, in this order (our choice, not published): the lab's name is
shortened; then `LEFT_OFF`, one after the other: the words for an emergency, some of the space between the
lines to write on, the lab's name, how often it was distilled. Signs, statements, warnings, code and contact
never give way.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from inventory.rules.label_text import LabelText

LEFT_OFF = ("emergency", "space", "lab", "detail")
# Type of these lines, and how many a contact and the words for an emergency may take; our choice.
READABLE_PT = 4.2
CONTACT_LINES, EMERGENCY_LINES = 4, 4
LEADING = 1.18
# Not between the groups of one number, as in "0341 97 12-34".
_BREAKS = re.compile(r"(?<![\d)/–-])\s+|\s+(?![\d(/–-])")


@dataclass(frozen=True)
class Lines:
    """Some lines in one size of type, in points."""

    words: tuple[str, ...]
    size: float

    @property
    def height(self) -> float:
        return len(self.words) * self.size * LEADING


def left_off() -> Iterator[frozenset[str]]:
    """What to leave off, from nothing on to all that may be."""
    for count in range(len(LEFT_OFF) + 1):
        yield frozenset(LEFT_OFF[:count])


def foot_lines(label: LabelText, width: float, size: float, off: frozenset[str]) -> list[Lines] | None:
    """The blocks from the top down, in points; None where one of them has no room."""
    lab = "" if "lab" in off else label.lab
    contact = " ".join(label.contact.split())
    emergency = "" if "emergency" in off else " ".join(label.emergency.split())
    together = _fitted(" · ".join(filter(None, (lab, contact))), width, size, most=1)
    if together is not None:
        found: list[Lines | None] = [together]
    else:
        found = [_fitted(contact, width, size, most=CONTACT_LINES), _shortened(lab, width, size)]
    found.insert(1, _fitted(emergency, width, size, most=EMERGENCY_LINES))
    lines = [block for block in found if block is not None]
    return [block for block in lines if block.words] if len(lines) == len(found) else None


@lru_cache(maxsize=1000)
def _fitted(words: str, width: float, size: float, *, most: int) -> Lines | None:
    """All of the words in as few lines as can be read, at most so many; None where they do not go in."""
    size = max(size, READABLE_PT)
    if not words:
        return Lines((), size)
    for count in range(1, most + 1):
        smaller = size
        while smaller >= READABLE_PT:
            wrapped = _wrapped(words, smaller, width, count)
            if wrapped is not None:
                return Lines(tuple(wrapped), smaller)
            smaller *= 0.96
    return None


def _wrapped(words: str, size: float, width: float, most: int) -> Sequence[str] | None:
    """In at most so many lines of that width; None where they do not do, or one word or number is wider."""
    lines: list[str] = []
    for part in _BREAKS.split(words):
        longer = f"{lines[-1]} {part}" if lines else part
        if lines and _wide(longer, size) <= width:
            lines[-1] = longer
        elif len(lines) < most and _wide(part, size) <= width:
            lines.append(part)
        else:
            return None
    return lines


def _shortened(words: str, width: float, size: float) -> Lines:
    """In one line, with dots for what does not go in."""
    whole = _fitted(words, width, size, most=1)
    if whole is not None:
        return whole
    while words and _wide(f"{words}…", READABLE_PT) > width:
        words = words[:-1].rstrip()
    return Lines((f"{words}…",), READABLE_PT)


def _wide(words: str, size: float) -> float:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(words, "Label", size))
