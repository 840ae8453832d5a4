"""What somebody in front of a container is told to do: worked out of its verdict, in this one place.

Due list, page, messages and commands take their words from here, so that none of them asks anybody to test,
open or carry what the verdict says to leave alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from inventory.rules.levels import LEVEL_WORDS, Level, Use, gravest
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict, VerdictReason

# Common practice, no one source; compare Michigan State EHS and UCLA EHS on what is left in place.
ADVICE: Mapping[Level, str] = MappingProxyType(
    {
        "use": "",
        "test-first": Phrase("Take nothing out before a test has passed."),
        "do-not-distil": Phrase("Do not distil or concentrate it."),
        "do-not-use": Phrase(
            "Do not use, open or test it. Keep it shut and have a licensed firm collect it."
        ),
        "do-not-touch": Phrase(
            "Leave it where it is: do not open, test, turn or carry it. Keep others away and "
            "call the supervisor."
        ),
    }
)
SET_ASIDE = Phrase("Do not use, open or test it until a supervisor lifts that.")
ASK_FIRST = Phrase("Ask the supervisor before anybody opens it to test it.")
# What is not known, or long over, may be worse than it looks (Princeton EHS and Iowa State EHS leave an
# unknown age alone).
_DOUBTFUL = frozenset(
    {"opening-date-unknown", "receipt-date-unknown", "made-date-unknown", "no-rule", "opened-when-overdue"}
)
LONG_OVERDUE_DAYS = 90  # the shortest common interval once more: our choice, not published
_ALONE: frozenset[Level] = frozenset({"do-not-use", "do-not-touch"})
# The uses of somebody who looks after it; distilling has a gate of its own.
_USES: tuple[Use, ...] = ("draw", "open", "move", "keep")


@dataclass(frozen=True)
class Told:
    """What leads: code and words. days: how long overdue; None where a date would only mislead.

    reasons: those that lead instead of the test date; none where the date does.
    """

    level: Level
    advice: str
    code: str
    words: str
    days: int | None
    reasons: tuple[VerdictReason, ...] = ()

    @property
    def verdict(self) -> str:
        """The level for people."""
        return LEVEL_WORDS[self.level]


def told(found: Mapping[Use, Verdict], *, code: str, words: str, days: int | None) -> Told:
    """What to say of a container. code, words, days: what its test date leads with; days over, or to go.

    A sign, or whatever has it left alone, comes before any date.
    """
    level = gravest(found[use].level for use in _USES)
    reasons = tuple(dict.fromkeys(reason for use in _USES for reason in found[use].reasons))
    leading = _leading(reasons, level)
    advice = SET_ASIDE if level == "do-not-use" and found["keep"].allowed else ADVICE[level]
    if leading:
        lead = Phrase.joined(dict.fromkeys(reason.words for reason in leading))
        return Told(level, advice, leading[0].code, lead, None, leading)
    if level == "test-first" and (code in _DOUBTFUL or (days or 0) > LONG_OVERDUE_DAYS):
        advice = Phrase.joined([advice, ASK_FIRST])
    return Told(level, advice, code, words, days)


def _leading(reasons: tuple[VerdictReason, ...], level: Level) -> tuple[VerdictReason, ...]:
    """Reasons that come before a date: what leaves it alone, else a sign; signs first."""
    against = [r for r in reasons if r.level == level]
    signs = [r for r in reasons if r.code.startswith("sign-") and r.level != "use"]
    if level in _ALONE:
        return tuple(dict.fromkeys([*(s for s in signs if s.level == level), *against]))
    return tuple(signs)
