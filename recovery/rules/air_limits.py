"""Explosive and exposure limits as the catalogue records them, and what share of them a level is.

A limit that was written as words stays in words. "Ca" marks a substance that should be kept as low as can be.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from inventory.rules.catalogue import Fact
from inventory.rules.limit_words import limit_words
from inventory.rules.phrases import Phrase
from recovery.rules.properties import Properties
from recovery.rules.vapour import ALARM_SHARE, LEL_WORST_PCT, PPM_PER_PERCENT, Exposure, ppm_of_mg_m3

LimitKind = Literal["mean-8h", "short-term", "ceiling"]
BODIES = {
    "osha-pel": "OSHA PEL",
    "niosh-rel": "NIOSH REL",
    "acgih-tlv": "ACGIH TLV",
    "ontario-twa": "Ontario",
    "ontario-stel": "Ontario",
}
_PART = re.compile(
    r"^(?P<kind>C|ST|STEL|peak|Ca)?\s*(?:(?P<also>C|ST)\s+)?(?P<value>\d+(?:\.\d+)?)?\s*(?P<unit>mg/m3)?\b",
    re.ASCII,
)
_KINDS: dict[str, LimitKind] = {
    "": "mean-8h",
    "ST": "short-term",
    "STEL": "short-term",
    "C": "ceiling",
    "peak": "ceiling",
}


@dataclass(frozen=True, slots=True)
class AirLimit:
    """One exposure limit in ppm. words: as recorded; of a ceiling the peak counts, of others the mean."""

    body: str
    kind: LimitKind
    ppm: float
    words: str
    source: str


@dataclass(frozen=True, slots=True)
class Share:
    """How much of a limit a level is, in the room as a whole and near the bench; 1 is all of it."""

    limit: AirLimit
    level_ppm: float
    near_ppm: float

    @property
    def share(self) -> float:
        return self.level_ppm / self.limit.ppm

    @property
    def near_share(self) -> float:
        return self.near_ppm / self.limit.ppm


@dataclass(frozen=True, slots=True)
class ExplosiveShare:
    """The same of the lower explosive limit, by the peak. None: the solvent is known not to burn."""

    lel_ppm: float
    share: float
    near_share: float
    source: str
    assumptions: tuple[str, ...] = ()

    @property
    def alarm(self) -> bool:
        """At or above a tenth of it near the bench, where instruments are usually set to warn."""
        return self.near_share >= ALARM_SHARE


def air_limits(of: Properties) -> tuple[list[AirLimit], list[str]]:
    """(limits as numbers, what is recorded only in words), by the body that sets them."""
    numbers: list[AirLimit] = []
    words: list[str] = []
    for name, body in BODIES.items():
        fact = of.fact(name)
        if fact is None:
            continue
        found = list(_limits(fact, name, body, of.molar_mass_g_per_mol))
        numbers += found
        if not found or re.search(r"\bCa\b", fact.value):
            words.append(Phrase("{body}: {limit}", body=body, limit=limit_words(fact.value)))
    return numbers, words


def _limits(fact: Fact, name: str, body: str, molar_mass_g: float | None) -> list[AirLimit]:
    found = []
    stated = re.sub(r"\([^)]*\)", "", fact.value)
    for part in re.split(r"[/;](?!m3)", stated):
        match = _PART.match(part.strip())
        if match is None or match["value"] is None:
            continue
        kind = _KINDS["STEL"] if name == "ontario-stel" else _kind(match["kind"], match["also"])
        ppm = float(match["value"])
        if match["unit"]:
            if molar_mass_g is None:
                continue
            ppm = ppm_of_mg_m3(ppm, molar_mass_g)
        found.append(AirLimit(body, kind, ppm, fact.value, fact.source))
    return found


def _kind(kind: str | None, also: str | None) -> LimitKind:
    return _KINDS[also or ("" if kind in (None, "Ca") else str(kind))]


def shares_of(limits: list[AirLimit], found: Exposure) -> list[Share]:
    """The share of each limit, the largest near the bench first."""
    levels = {
        "mean-8h": (found.mean_8h_ppm, found.near_mean_8h_ppm),
        "short-term": (found.mean_15min_ppm, found.near_mean_15min_ppm),
        "ceiling": (found.peak_ppm, found.near_peak_ppm),
    }
    return sorted((Share(limit, *levels[limit.kind]) for limit in limits), key=lambda one: -one.near_share)


def explosive_share(of: Properties, found: Exposure) -> ExplosiveShare | None:
    """The peak against the lower explosive limit; one that is not known is taken below every listed one."""
    if of.lel_vol_pct is None and of.flammable is False:
        return None
    said: tuple[str, ...] = ()
    percent, source = of.lel_vol_pct, of.source("lel")
    if percent is None:
        percent, source = LEL_WORST_PCT, Phrase("not recorded")
        said = (
            Phrase(
                "lower explosive limit not known: {percent:g} % taken, below every listed one",
                percent=LEL_WORST_PCT,
            ),
        )
    lel_ppm = percent * PPM_PER_PERCENT
    return ExplosiveShare(lel_ppm, found.peak_ppm / lel_ppm, found.near_peak_ppm / lel_ppm, source, said)
