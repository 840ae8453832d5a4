"""Until when strips and solutions for testing may be relied on.

The maker's expiry date is the end in any case; opening or standardising starts a period of ours that may end
sooner and never runs past it. A missing date starts no period: then it is not known whether they were good.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from types import MappingProxyType

from inventory.rules.methods import METHODS
from inventory.rules.months import add_months
from inventory.rules.phrases import Phrase

_OURS = Phrase("our choice, not published")


@dataclass(frozen=True)
class Life:
    """How long something lasts once `since` (opened or standardised). months or days, the other one 0."""

    since: str
    words: str
    source: str
    months: int = 0
    days: int = 0

    def ends_on(self, start: date) -> date:
        """The last day. 31 January and one month is the last of February."""
        return add_months(start, self.months) + timedelta(days=self.days)


_STRIPS = Life(
    "opened",
    Phrase("six months after opening"),
    Phrase("tin closed at once, below 30 °C: {ours}", ours=_OURS),
    months=6,
)
_THIOSULFATE = Life(
    "standardised",
    Phrase("one month after it was standardised"),
    Phrase("thiosulfate loses strength: {ours}", ours=_OURS),
    months=1,
)
LIVES: Mapping[str, tuple[Life, ...]] = MappingProxyType(
    {
        "strip-25": (_STRIPS,),
        "strip-100": (_STRIPS,),
        "iodide-visual": (
            Life(
                "opened",
                Phrase("the day after it was made up"),
                Phrase("iodide solution yellows: {ours}", ours=_OURS),
                days=1,
            ),
        ),
        "iodometric-titration": (_THIOSULFATE,),
        "peroxide-number": (_THIOSULFATE,),
    }
)
#: methods that need strips or a solution of which a lot is kept
REAGENT_METHODS = tuple(key for key, method in METHODS.items() if method.reagent)
#: one thiosulfate solution serves both titrations
SAME_REAGENT = frozenset({"iodometric-titration", "peroxide-number"})


@dataclass(frozen=True)
class UseBy:
    """The last day, None when no date is known; words and source of what decides."""

    on: date | None
    words: str
    source: str


def use_by(
    method: str, *, expiry_on: date | None, opened_on: date | None, standardised_on: date | None
) -> UseBy:
    """The earlier of the maker's expiry and of our period; None when neither date is known."""
    starts = {"opened": opened_on, "standardised": standardised_on}
    ends = [UseBy(expiry_on, Phrase("the maker's expiry"), "label")] if expiry_on else []
    for life in LIVES[method]:
        start = starts[life.since]
        if start is not None:
            ends.append(UseBy(life.ends_on(start), life.words, life.source))
    known = [end for end in ends if end.on is not None]
    if not known:
        return UseBy(None, Phrase("no date is known: it cannot be told whether it is still good"), _OURS)
    return min(known, key=lambda end: end.on or date.max)


def expired_on(use_by_on: date | None, tested_on: date | None, *, recorded_on: date) -> bool | None:
    """Whether a reagent was past its date when it was used; None: not known. The last day itself is good.

    A test on an unknown day counts as made on the day of its recording, the latest that it can have been.
    """
    return None if use_by_on is None else (tested_on or recorded_on) > use_by_on


def expired_after_all(
    stored: bool | None, use_by_on: date | None, tested_on: date | None, *, recorded_on: date
) -> bool | None:
    """As noted with a test, or worse: the last day may have been put right to an earlier one since.

    One put right to a later day helps no test that was noted as made too late.
    """
    if stored or use_by_on is None:
        return stored
    return expired_on(use_by_on, tested_on, recorded_on=recorded_on) or stored


def fits(reagent_method: str, method: str) -> bool:
    """Whether a reagent kept for one method serves another one."""
    return reagent_method == method or {reagent_method, method} <= SAME_REAGENT
