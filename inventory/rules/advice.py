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
UNTIL_LIFTED = Phrase("Do not use, open or test it until a supervisor lifts that.")
BARRED = Phrase("Do not use")
ASK_FIRST = Phrase("Ask the supervisor before anybody opens it to test it.")
YES, NO = Phrase("Yes"), Phrase("No")
ONLY_TO_TEST, ASKED_FIRST = Phrase("Only to test it"), Phrase("Ask first")
#: level of distilling → the verdict on what may be used otherwise
USE_NOT_DISTIL: Mapping[Level, str] = MappingProxyType(
    {
        "test-first": Phrase("Use; test it before distilling"),
        "do-not-distil": Phrase("Use; do not distil it"),
    }
)
EMPTY = Phrase("Nothing is in it by the records.")
EMPTY_FORMER = Phrase("Nothing is in it by the records; what stuck to it may hold peroxides.")
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

    reasons: those that lead instead of the test date; none where the date does. ask_first: nobody opens it,
    not even to test it, before the supervisor was asked.
    """

    level: Level
    advice: str
    code: str
    words: str
    days: int | None
    reasons: tuple[VerdictReason, ...] = ()
    ask_first: bool = False

    @property
    def alone(self) -> bool:
        """Nobody uses, opens or tests it."""
        return self.level in _ALONE

    @property
    def verdict(self) -> str:
        """The level for people. What is only barred waits for a supervisor, not for disposal."""
        return BARRED if self.advice is UNTIL_LIFTED else LEVEL_WORDS[self.level]


def verdict_words(said: Told, distil: Level, *, empty: bool, former: bool) -> str:
    """The verdict as a list says it. Of an empty container nothing can be used, and "use" would be untrue.

    distil: the level of distilling it, which a list has no column for: a plain "use" would hide it. former:
    what was in it last forms peroxides, or may. Whatever is graver than "use" stays as it is said.
    """
    if not empty:
        return USE_NOT_DISTIL.get(distil, said.verdict) if said.level == "use" else said.verdict
    rest = EMPTY_FORMER if former else EMPTY
    return rest if said.level == "use" else Phrase("{verdict}. {empty}", verdict=said.verdict, empty=rest)


def told(found: Mapping[Use, Verdict], *, code: str, words: str, days: int | None) -> Told:
    """What to say of a container. code, words, days: what its test date leads with; days over, or to go.

    A sign, or whatever has it left alone, comes before any date.
    """
    level = gravest(found[use].level for use in _USES)
    reasons = tuple(dict.fromkeys(reason for use in _USES for reason in found[use].reasons))
    leading = _leading(reasons, level)
    advice = UNTIL_LIFTED if level == "do-not-use" and found["keep"].allowed else ADVICE[level]
    if leading:
        lead = Phrase.joined(dict.fromkeys(reason.words for reason in leading))
        return Told(level, advice, leading[0].code, lead, None, leading)
    if level == "test-first" and asks_first(code, days):
        return Told(level, Phrase.joined([advice, ASK_FIRST]), code, words, days, ask_first=True)
    return Told(level, advice, code, words, days)


def asks_first(code: str, days: int | None) -> bool:
    """Whether the supervisor is asked before one that waits for a test is opened. days: how long overdue."""
    return code in _DOUBTFUL or (days or 0) > LONG_OVERDUE_DAYS


def answer(found: Verdict, *, ask_first: bool) -> str:
    """Yes or no to one use, for people. ask_first: as `told` has it of the container.

    What waits for a test may be opened "to test it" (`levels`), which is no plain yes. Where somebody is
    asked before that, they are asked before it is carried as well.
    """
    if ask_first and found.level == "test-first" and found.use in ("open", "move"):
        return ASKED_FIRST
    if found.use == "open" and found.level == "test-first":
        return ONLY_TO_TEST
    return YES if found.allowed else NO


def _leading(reasons: tuple[VerdictReason, ...], level: Level) -> tuple[VerdictReason, ...]:
    """Reasons that come before a date: what leaves it alone, else a sign; signs first."""
    against = [r for r in reasons if r.level == level]
    signs = [r for r in reasons if r.code.startswith("sign-") and r.level != "use"]
    if level in _ALONE:
        return tuple(dict.fromkeys([*(s for s in signs if s.level == level), *against]))
    return tuple(signs)
