"""Exposure limits at work as a table writes them, in words: "Ca C 1 (30 min)" is a ceiling.

The signs are those of the NIOSH Pocket Guide and of the ACGIH table (from memory): C ceiling, ST and STEL
short time, Ca carcinogen, skin for what goes through the skin. What is written in another way stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType

from inventory.rules.phrases import Phrase

__all__ = ["limit_words"]

_APART = re.compile(r"\s*;\s*(?![^(]*\))|\s+/\s+(?![^(]*\))")
_PART = re.compile(
    r"(?:(?P<cancer>Ca)\s+)?(?:(?P<kind>C|ST|STEL|peak)\s+)?(?P<value>\d+(?:\.\d+)?)(?P<mass> mg/m3)?"
    r"(?P<skin> skin)?(?: \((?P<remark>[^()]+)\))?",
    re.ASCII,
)
_MINUTES = re.compile(r"(\d+) min", re.ASCII)
_BEFORE = re.compile(r"(?:recent; )?was ([\d/]+)", re.ASCII)
_KINDS: Mapping[str, Callable[[str], Phrase]] = MappingProxyType(
    {
        "C": lambda limit: Phrase("{limit}, ceiling", limit=limit),
        "ST": lambda limit: Phrase("{limit}, short time", limit=limit),
        "STEL": lambda limit: Phrase("{limit}, short time", limit=limit),
        "peak": lambda limit: Phrase("{limit}, peak", limit=limit),
    }
)
_REMARKS: Mapping[str, Phrase] = MappingProxyType(
    {"octane": Phrase("for octane"), "petroleum distillates": Phrase("for petroleum distillates")}
)


def limit_words(value: str) -> str:
    """A limit as recorded, in ppm unless it says mg/m3, as a phrase; the same text where it is not known."""
    if value == "Ca":
        return Phrase("carcinogen: as little as can be")
    parts = [_part(text) for text in _APART.split(value)]
    told = [part for part in parts if part is not None]
    return Phrase.joined(told, by="; ") if len(told) == len(parts) else value


def _part(text: str) -> Phrase | None:
    found = _PART.fullmatch(text)
    if found is None:
        return None
    made = Phrase("{number} {unit}", number=found["value"], unit="mg/m³" if found["mass"] else "ppm")
    if found["kind"]:
        made = _KINDS[found["kind"]](made)
    remark = found["remark"] or ""
    if minutes := _MINUTES.fullmatch(remark):
        made = Phrase("{limit}, {minutes} min", limit=made, minutes=minutes[1])
    elif remark:
        made = Phrase("{limit} ({remark})", limit=made, remark=_remark(remark))
    if found["skin"]:
        made = Phrase("{limit} (skin)", limit=made)
    return Phrase("{limit} (carcinogen)", limit=made) if found["cancer"] else made


def _remark(text: str) -> str:
    if before := _BEFORE.fullmatch(text):
        return Phrase("before: {limits} ppm", limits=before[1])
    return _REMARKS.get(text, text)
