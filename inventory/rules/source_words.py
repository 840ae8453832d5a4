"""Where figures of shipped solvents are from, and what is noted of them: here translators find the words.

A source keeps the title that it was published with; the words round it are said in the reader's language. In
English every text is what the table has, to the letter, and a text that nobody here knows stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from types import MappingProxyType

from inventory.rules.phrases import Phrase

__all__ = ["source_words"]

Made = Callable[..., Phrase]

# Each the whole of what stands between two semicolons.
_WHOLE: Mapping[str, Phrase] = MappingProxyType(
    {
        str(words): words
        for words in (
            Phrase("quoted from memory without a page"),
            Phrase("(from memory; varies by supplier)"),
            Phrase("supplier data"),
            Phrase("literature"),
            Phrase("product range"),
            Phrase("public NFPA list"),
            Phrase("not stated"),
            Phrase("not recorded"),
            Phrase("CRC Handbook organic table"),
            Phrase("DIPPR-based table"),
            Phrase("engineeringtoolbox table of limits"),
            Phrase("supplier self-classification, no harmonised entry"),
            Phrase("Carc. 1B since ATP 17 (from memory)"),
            Phrase("H351 in older lists"),
            Phrase("H226 added from the computed category 3"),
            Phrase("the harmonised entry has none"),
            Phrase("H315 and H319 are supplier additions, kept as the worse case"),
            Phrase("H315, H319 and H336 are supplier additions, kept as the worse case"),
            Phrase("H319 is a supplier self-classification, kept as the worse case"),
            Phrase("H335 and H336 from Wikipedia, kept as the worse case"),
            Phrase("a category 2 liquid carries Danger"),
            Phrase(
                "H340 and H350 apply unless benzene is below 0.1 %: kept until the supplier's sheet says so"
            ),
            Phrase("before ATP 18 (from memory): H335 and no H351"),
            Phrase("harmonised entry says H226 and Warning"),
            Phrase("the flash point of 22 Cel gives category 2, the worse is used"),
            Phrase("20 °C lies below this: do not extrapolate."),
            Phrase(
                "20 °C lies below this: do not extrapolate. do not use the Landolt Antoine at 20 C (valid "
                "427-583 K)"
            ),
            Phrase(
                "20 °C lies below this: do not extrapolate. do not use the Landolt Antoine at 20 C (valid "
                "483-523 K)"
            ),
            Phrase("NIST WebBook set A=4.58135 B=1570.093 C=-31.297 (bar, K; from memory) gives 3.85 kPa"),
            Phrase("THF and water split only between about 72 and 137 °C"),
            Phrase("at 25 °C, used at 20 °C as the worse case"),
            Phrase("boiling point °C / mass % solvent"),
            Phrase("doubtful"),
            Phrase("health-fire-instability"),
            Phrase("mass %"),
            Phrase("second at 25 °C"),
            Phrase("second at 29.5 °C"),
            Phrase("17.8 at 9.5 °C, 21.0 at 0 °C"),
            Phrase("the current copy prints 14.4 for water in solvent, an error"),
            Phrase("near room temperature"),
            Phrase("recorded as 4.4 g per 100 g of solvent at 23 °C, which is 4.2 % of the mixture"),
            Phrase("recorded as about 0.01"),
            Phrase("recorded as about 35"),
            Phrase("recorded as below 0.01: the bound is used"),
            Phrase("recorded as above 220: the bound is used"),
            Phrase("recorded as below -20: the bound is used"),
            Phrase("second recorded as 0.07-0.09"),
            Phrase("second recorded as 1.6-1.7"),
            Phrase("only water needs it: its density is not straight over temperature"),
            Phrase("the initial boiling point of the range 40-60"),
            Phrase("a product that starts below 37.8 °C is NFPA class IA"),
            Phrase("the category is the same with either"),
            Phrase(
                "-27 vs -80, Wikidata -28: -80 looks like an entry error in one table, yet it is the safer "
                "and is used"
            ),
            Phrase("2.07e-4 vs 3.84e-4: the VDI correlation is poor for water"),
            Phrase("7.03 kPa is an extrapolation of a set valid 359-467 K"),
            Phrase("supplier data give 6.4 kPa (from memory)"),
            Phrase("literature 1489 (from memory) against 1492.6"),
            Phrase("Perry eq. 105 gives 1492.1"),
            Phrase("literature 724 (from memory) against 725.8"),
            Phrase("literature 882.5 (from memory) against 880.9"),
            Phrase(
                "literature 889 (from memory) against 885.3 from the Perry correlation and 887.5 from "
                "CoolProp 8.0"
            ),
            Phrase("889 is used"),
            Phrase("recorded as 640-660"),
            Phrase("a wider half width because each supplier differs"),
            Phrase("the VDI correlation is poor for water: not counted in the half width"),
        )
    }
)
# What stands round one title or two; the first that fits.
_ROUND: tuple[tuple[str, Made], ...] = (
    (r"(.+) \((chemicals [\d.]+)\)", lambda one, two: Phrase("{words} ({source})", words=one, source=two)),
    (r"(.+) \(from memory\)", lambda one: Phrase("{title} (from memory)", title=one)),
    (r"\(from memory of (.+)\)", lambda one: Phrase("(from memory of {title})", title=one)),
    (r"\(from memory, (.+)\)", lambda one: Phrase("(from memory, {title})", title=one)),
    (
        r"(.+), seen in a safety data sheet",
        lambda one: Phrase("{title}, seen in a safety data sheet", title=one),
    ),
    (
        r"(.+), natural-log form converted to log10",
        lambda one: Phrase("{title}, natural-log form converted to log10", title=one),
    ),
    (r"(.+), extrapolated", lambda one: Phrase("{title}, extrapolated", title=one)),
    (r"(.+), older copies", lambda one: Phrase("{title}, older copies", title=one)),
    (r"(.+) \(poor for water\)", lambda one: Phrase("{title} (poor for water)", title=one)),
    (r"azeotrope tables \((.+)\)", lambda one: Phrase("azeotrope tables ({title})", title=one)),
    (
        r"fitted to (.+) from 0 to 35 (?:Cel|°C)",
        lambda one: Phrase("fitted to {title} from 0 to 35 Cel", title=one),
    ),
    (
        r"(VDI/PPDS|NFPA 497 \(2008\)) else (.+)",
        lambda one, two: Phrase("{one} else {other}", one=one, other=two),
    ),
    (
        r"(NIST WebBook) or (CAS Common Chemistry)",
        lambda one, two: Phrase("{one} or {other}", one=one, other=two),
    ),
    (r"(-?[\d.e-]+) vs (.+)", lambda one, two: Phrase("{one} vs {other}", one=one, other=two)),
)
_FORMS = tuple((re.compile(form), made) for form, made in _ROUND)


@lru_cache(maxsize=1024)
def source_words(text: str) -> str:
    """A source or note as a phrase whose English is the same text; one that is not known stays as it is."""
    if text in _WHOLE:
        return _WHOLE[text]
    parts = [_part(part) for part in _parts(text)]
    if not any(isinstance(part, Phrase) for part in parts):
        return text
    return parts[0] if len(parts) == 1 else Phrase.joined(parts, by="; ")


def _parts(text: str) -> Iterator[str]:
    """What stands between semicolons, but for one inside brackets."""
    depth, begin = 0, 0
    for place, char in enumerate(text):
        depth += (char == "(") - (char == ")")
        if not depth and text.startswith("; ", place):
            yield text[begin:place]
            begin = place + 2
    yield text[begin:]


def _part(text: str) -> str:
    if text in _WHOLE:
        return _WHOLE[text]
    for form, made in _FORMS:
        if found := form.fullmatch(text):
            return made(*map(_part, found.groups()))
    return text
