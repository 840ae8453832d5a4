"""One cell to one fact: peroxide readings, opened, inhibitor, origin, place.

A missing or doubtful fact is never read as a good one: "neg" without a method has no upper bound, "?"
is no reading, "sealed" is believed only until another cell speaks against it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Literal

from inventory.rules.peroxide import NOT_STATED, parse_reading
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.dates import DateRules, parse_date
from inventory.rules.sheets.folding import plain, squeezed

Comparator = Literal["=", "<", ">", "range", "about", "negative", "detected", "unknown"]

_UNKNOWN = frozenset(
    ("", "unknown", "unbekannt", "not sure", "unsure", "unklar", "dont know", "don t know", "n a")
)
_UNCLEAR = frozenset(("ok", "pass", "passed", "fine", "good", "gut", "in ordnung"))
_NEGATIVE = frozenset(
    ("neg", "negative", "negativ", "none", "nil", "no", "nein", "keine", "nd", "n d", "not detected")
) | {"none detected", "nicht nachweisbar", "0", "0 0", "0 00"}
_DETECTED = frozenset(("trace", "traces", "tr", "spur", "spuren", "pos", "positive", "positiv", "detected"))
_OTHER_WORDS = (
    (re.compile(r"[—–]|\bbis\b"), "-"),
    (re.compile(r"≈|\b(?:approx|circa)\b\.?"), "~"),
    (re.compile("mg/kg"), "ppm"),
)
NAME_MAX = 200  # longer than any solvent name
_HAS_PPM = re.compile(r"ppm|mg\s*/\s*kg", re.I)
_RANGE = re.compile(r"\d\s*(?:-|to\b)\s*\d")


@dataclass(frozen=True, slots=True)
class ReadingCell:
    """A peroxide reading as bounds in mg/L (as H2O2, the scale of strips).

    upper_mg_per_l is None where nothing bounds it from above: that is never a pass.
    text: as entered. note: how it was understood, "" when it was plain.
    """

    lower_mg_per_l: Decimal
    upper_mg_per_l: Decimal | None
    comparator: Comparator
    text: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class OpenedCell:
    """state: unopened, opened or not-stated. opened_on: None where opened at an unknown date."""

    state: Literal["unopened", "opened", "not-stated"]
    opened_on: date | None
    text: str


@dataclass(frozen=True, slots=True)
class Inhibitor:
    """state not-stated is to be treated as uninhibited. ppm: mass ppm as written, or None."""

    state: Literal["yes", "no", "not-stated"]
    name: str = ""
    ppm: Decimal | None = None


def method_in(text: str) -> str:
    """Key of the test method in a method cell; anything not understood is "not-stated"."""
    words = plain(text)
    if "titr" in words:
        return "iodometric-titration"
    if "iodid" in words or "jodid" in words or words in ("ki", "ki starch"):
        return "iodide-visual"
    if "100" in words.split():
        return "strip-100"
    return "strip-25" if "25" in words.split() else NOT_STATED


@lru_cache(maxsize=65536)
def reading_in(
    text: str, *, method: str = NOT_STATED, unit: str = "", name: str = "peroxide"
) -> ReadingCell | None:
    """A peroxide cell to bounds in mg/L; None for an empty cell.

    method: key of a test method, which decides how far "neg" vouches. unit: unit in the column header, "ppm",
    "mg/L", "%" or "". "?" gives comparator "unknown": no reading, but a fact to keep.
    Raises InputError as inventory.rules.peroxide.parse_reading does.
    """
    bare = text.strip()
    if not bare:
        return None
    words = plain(bare)
    if words in _UNCLEAR or (words in _UNKNOWN and not set(bare) & set("<>+-")):
        doubt = Phrase("nobody knows: not a reading")
        if words:
            doubt = Phrase("a judgement without a value: not a pass")
        return ReadingCell(Decimal(0), None, "unknown", bare, doubt)
    comparator = _comparator(bare, words)
    bounds = parse_reading(_as_known(bare, comparator, unit), method=method, field=name)
    if comparator == "=" and bounds.lower_mg_per_l == 0:
        comparator = "negative"
    note = _reading_note(bare, unit, comparator, bounds.upper_mg_per_l)
    return ReadingCell(bounds.lower_mg_per_l, bounds.upper_mg_per_l, comparator, bare, note)


def _comparator(bare: str, words: str) -> Comparator:
    if bare[0] in "<≤":
        return "<"
    if bare[0] in ">≥":
        return ">"
    if words in _NEGATIVE and bare[0] not in "-+":
        return "negative"
    if words in _DETECTED or bare == "+":
        return "detected"
    if _RANGE.search(_respelt(bare)):
        return "range"
    return "about" if _respelt(bare)[0] in "~ca" or bare.endswith("?") else "="


def _respelt(bare: str) -> str:
    text = bare.lower()
    for pattern, instead in _OTHER_WORDS:
        text = pattern.sub(instead, text)
    return text


def _as_known(bare: str, comparator: Comparator, unit: str) -> str:
    """The words as the reading rules know them, with the header's unit where the cell has none."""
    if comparator in ("negative", "detected"):
        return "neg" if comparator == "negative" else "trace"
    text = _respelt(bare)
    return f"{text} %" if unit == "%" and text[-1:].isdigit() else text


def _reading_note(bare: str, unit: str, comparator: Comparator, upper: Decimal | None) -> str:
    notes = []
    if _HAS_PPM.search(bare) or (unit.lower() == "ppm" and bare[-1].isdigit()):
        notes.append(Phrase("ppm, basis not stated: taken as mg/L"))
    if upper is None and comparator != ">":
        notes.append(Phrase("nothing bounds it from above: not a pass"))
    return Phrase.joined(notes, by="; ")


_SEALED = frozenset(
    (
        "sealed",
        "unopened",
        "no",
        "never",
        "new",
        "not opened",
        "never opened",
        "not yet",
        "not open",
        "factory sealed",
    )
) | {"verschlossen", "ungeoffnet", "nein", "nie", "neu", "originalverschlossen", "noch zu", "nicht geoffnet"}
_OPENED_SOMETIME = frozenset(
    ("yes", "opened", "open", "ja", "geoffnet", "offen", "y", "x", "angebrochen", "in use")
)


@lru_cache(maxsize=65536)
def opened_in(text: str, *, rules: DateRules | None = None, name: str = "opened") -> OpenedCell:
    """The opened cell. "?" or "yes" is opened at an unknown date. Raises InputError as parse_date does."""
    bare = text.strip()
    if not bare or (bare != "?" and not any(c.isalnum() or c == "?" for c in bare)):
        return OpenedCell("not-stated", None, bare)
    words = plain(bare)
    if words in _SEALED and "?" not in bare:
        return OpenedCell("unopened", None, bare)
    if words in _UNKNOWN or words in _OPENED_SOMETIME or words in _SEALED:
        return OpenedCell("opened", None, bare)
    if bare.endswith("?"):
        return OpenedCell("opened", None, bare)
    return OpenedCell("opened", parse_date(bare, rules, name=name), bare)


_INHIBITORS = {
    "bht": "BHT",
    "butylated hydroxytoluene": "BHT",
    "butylhydroxytoluol": "BHT",
    "mehq": "MEHQ",
    "hydroquinone": "hydroquinone",
    "hydrochinon": "hydroquinone",
    "pyrogallol": "pyrogallol",
}
_INHIBITED = frozenset(
    ("yes", "y", "ja", "inhibited", "stabilised", "stabilized", "stabilisiert", "with inhibitor", "inhibitor")
)
_UNINHIBITED = frozenset(
    (
        "no",
        "none",
        "nein",
        "ohne",
        "keine",
        "uninhibited",
        "unstabilised",
        "unstabilized",
        "unstabilisiert",
        "n",
        "nil",
    )
) | {
    "without",
    "inhibitor free",
    "no inhibitor",
    "not stabilised",
    "not stabilized",
    "without inhibitor",
    "0",
}
_AMOUNT = re.compile(r"(\d{1,6}(?:[.,]\d{1,4})?)\s*(ppm|mg\s*/\s*kg|%)", re.I)
_PARENTHESISED = re.compile(r"\s*[(\[]([^)\]]*)[)\]]")
_WITHOUT = re.compile(r"\b(?:no|without|ohne|not|nicht|free|frei|uninhibited|unstabili[sz]ed)\b")


@lru_cache(maxsize=65536)
def inhibitor_in(text: str) -> Inhibitor:
    """The inhibitor cell: state, name and mass ppm. What is not understood is "not-stated"."""
    words = plain(text)
    if not words or "?" in text:
        return Inhibitor("not-stated")
    if words in _UNINHIBITED:
        return Inhibitor("no")
    if words in _INHIBITED:
        return Inhibitor("yes")
    name = next((given for word, given in _INHIBITORS.items() if re.search(rf"\b{word}\b", words)), "")
    if name and _WITHOUT.search(words):
        return Inhibitor("no")
    return Inhibitor("yes", name, _ppm(text)) if name else Inhibitor("not-stated", text.strip(), None)


def _ppm(text: str) -> Decimal | None:
    match = _AMOUNT.search(text)
    if not match:
        return None
    value = Decimal(match[1].replace(",", "."))
    return value * 10_000 if match[2] == "%" else value


@lru_cache(maxsize=65536)
def solvent_and_inhibitor(text: str) -> tuple[str, Inhibitor]:
    """ "Diethyl Ether (BHT)" to ("Diethyl Ether", BHT). Other brackets stay part of the name."""
    for match in _PARENTHESISED.finditer(text) if len(text) <= NAME_MAX else ():
        found = inhibitor_in(match[1])
        if found.state != "not-stated":
            return " ".join((text[: match.start()] + text[match.end() :]).split()), found
    return " ".join(text.split()), Inhibitor("not-stated")


Origin = Literal["purchased", "distilled-here", "made-here", "recovered", "blend", "not-stated"]
_ORIGINS: dict[str, Origin] = {
    **dict.fromkeys(
        ("bought", "purchased", "supplier", "new", "gekauft", "shop", "delivered", "lieferant"), "purchased"
    ),
    **dict.fromkeys(
        (
            "distilled here",
            "distilled",
            "redistilled",
            "own distillation",
            "selbst destilliert",
            "hier destilliert",
        ),
        "distilled-here",
    ),
    **dict.fromkeys(("made here", "made", "homemade", "hier hergestellt", "selbst hergestellt"), "made-here"),
    **dict.fromkeys(
        ("recovered", "rec", "recycled", "reclaimed", "zuruckgewonnen", "recovered here"), "recovered"
    ),
    **dict.fromkeys(("blend", "mixed", "mixture", "pooled", "mischung"), "blend"),
}


def origin_in(text: str) -> Origin | None:
    """Where a bottle's content is from; "not-stated" for an empty cell, None for words not understood."""
    words = plain(text)
    return _ORIGINS.get(words) if words else "not-stated"


def place_key(text: str) -> str:
    """A place as compared: "vented cabinet " and "Vented cabinet" are one."""
    return squeezed(text)
