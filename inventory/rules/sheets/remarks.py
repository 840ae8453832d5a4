"""Safety signs and run findings in free remarks. A question mark does not weaken a sign; a "no" does."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

_NO = (
    r"(?:no|not|no longer|not yet|without|never|none|kein|keine|keinen|ohne|nicht"
    r"|isn'?t|wasn'?t|aren'?t|free of)"
)
_FILLER = r"(?:any|visible|obvious|more|real|really|very|a|the|signs? of|traces? of)"
# Only words that carry the "no" on to the sign: in "not opened yet, crystals" the crystals stand.
_NEGATED = re.compile(rf"\b{_NO}\s+(?:{_FILLER}\s+)*(?:\w+\s+(?:or|nor|oder)\s+)?$", re.I)
_INNER_NO = re.compile(rf"\b{_NO}\s+(?:{_FILLER}\s+)*\S+$", re.I)
_FREE = re.compile(r"^\s*-?\s*free\b", re.I)
_DOUBT = re.compile(r"^\s*\?")
_CLAUSE_END = re.compile(r"[.;!,]|\bbut\b|\baber\b|\bonly\b", re.I)


@dataclass(frozen=True, slots=True)
class Sign:
    """code: kebab-case word. words: the words in the remark that say so."""

    code: str
    words: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a run's remark tells. amount: text of a volume, such as "20 ml", or ""."""

    code: str
    words: str
    amount: str = ""


def _compiled(rules: dict[str, str]) -> dict[str, re.Pattern[str]]:
    return {code: re.compile(pattern, re.I) for code, pattern in rules.items()}


_SIGNS = _compiled(
    {
        "crystals": r"\bcr[yi]st[a-z]*|\bkristall[a-z]*|\bsolids?\b|\bprecipitate[a-z]*|\bwhite (?:rim"
        r"|ring|powder|crust)"
        r"|\bcrust[a-z]*|\bdeposits?\b|\bfeststoff[a-z]*",
        "cloudy": r"\bcloud[a-z]*|\bhazy\b|\bturbid[a-z]*|\btr[üu]b[a-z]*|\bmilky\b|\bwisps?\b",
        "viscous-layer": r"\bviscous\b|\boily\b|\bsyrupy\b|\bz[äa]h[a-z]*|\bthick(?:ened)?\b"
        r"|\bgel(?:led|ly)?\b|\b[öo]lig[a-z]*",
        "cap-stuck": r"\b(?:cap|lid|stopper|deckel|verschluss)\b[^.;,]{0,20}?"
        r"\b(?:stiff|stuck|rust[a-z]*|jammed|seized|tight|fest|klemmt|corroded)"
        r"|\bstuck\b|\brust(?:ed|y)?\b|\bcorroded\b",
        "odd-colour": r"\b(?:yellow|brown|pink|gelb|braun)(?:ish|ed|lich)?\b(?!\s+(?:cupboard|cabinet"
        r"|label|cap|sticker|bottle|glass))"
        r"|\b(?:orange|dark)\s+(?:colou?r|tint|liquid)|\bdarkened\b|\bdiscolou?r[a-z]*"
        r"|\bodd colou?r|\bverf[äa]rbt",
        "label-unreadable": r"\blabel\b[^.;,]{0,20}?\b(?:faded|gone|missing|unreadable|illegible|torn|off)"
        r"|\bno label\b|\billegible\b|\betikett\b[^.;,]{0,20}?\b(?:verblasst|fehlt|unleserlich|ab)",
        "dates-doubtful": r"\bdates?\s*\?|\bdatum\s*\?|\bdates?\b[^.;,]{0,20}?\b(?:wrong|doubtful|unsure"
        r"|unclear|guess[a-z]*)",
    }
)
_FINDINGS = _compiled(
    {
        "heel-left": r"\b(?:left|remained|remaining|kept)\s+(?:about\s+"
        r"|ca\.?\s+)?(?P<amount>\d[\d.,]*\s*[a-zµμ]+)"
        r"|\b(?P<amount2>\d[\d.,]*\s*(?:ml|l|cl|µl))\s+(?:was\s+|were\s+)?(?:left|remained|heel)",
        "to-dryness": r"\bto dry(?:ness)?\b|\b(?:distilled|boiled|ran|went|evaporated) dry\b"
        r"|\bzur trockne\b|\btrocken destilliert",
        "leak-suspected": r"\bleak[a-z]*|\bsmell?(?:ed|s|t)?\b|\bstr?ong smell\b|\bundicht|\bgeruch\b"
        r"|\broch\b",
        "big-water-layer": r"\bwater layer\b[^.;,]{0,12}?\b(?:big|large|huge|thick)|\b(?:big|large"
        r"|huge)\s+water layer",
        "warm-condenser": r"\b(?:condenser|cooler|k[üu]hler)\b[^.;,]{0,12}?\b(?:warm|hot|hei[sß]s?)"
        r"|\b(?:warm|hot)\s+condenser|\bwater (?:was )?off\b",
        "more-back-than-out": r"\bmore back than out\b|\bmore (?:came )?back\b",
    }
)


@lru_cache(maxsize=65536)
def signs_in(text: str) -> tuple[Sign, ...]:
    """Safety signs in a bottle's remark, in a fixed order, each code once."""
    if not text or text.isspace():
        return ()
    found = ((code, _first(pattern, text)) for code, pattern in _SIGNS.items())
    return tuple(Sign(code, match[0].strip()) for code, match in found if match)


@lru_cache(maxsize=65536)
def findings_in(text: str) -> tuple[Finding, ...]:
    """What a run's remark tells of where solvent went, each code once."""
    if not text or text.isspace():
        return ()
    found = ((code, _first(pattern, text)) for code, pattern in _FINDINGS.items())
    return tuple(Finding(code, match[0].strip(), _amount(match)) for code, match in found if match)


def _amount(match: re.Match[str]) -> str:
    groups = match.groupdict()
    return (groups.get("amount") or groups.get("amount2") or "").strip()


def _first(pattern: re.Pattern[str], text: str) -> re.Match[str] | None:
    """The first match that no "no" in its own clause takes back; "no crystals?" is a doubt, so it stands."""
    for match in pattern.finditer(text):
        after = text[match.end() :]
        clause = _CLAUSE_END.split(text[: match.start()])[-1]
        own_no = match[0].lower().startswith("no ")
        inner = not own_no and _INNER_NO.search(match[0])
        denied = not own_no and (_NEGATED.search(clause) or inner or _FREE.match(after))
        if _DOUBT.match(after) or not denied:
            return match
    return None
