"""What the gate before a still works out and says: the heel, and what to do at each level."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_CEILING, Decimal
from types import MappingProxyType

from inventory.rules.levels import Level
from inventory.rules.phrases import Phrase

# Usual cautions, common practice without one source, except where a rule above gives its own.
REMEDIES: Mapping[Level, str] = MappingProxyType(
    {
        "use": "",
        "test-first": Phrase(
            "Test what is in {code} now, by strip or titration as its maker describes, and record "
            "it under the container's tests; charge it once that test has passed. Strips miss polymeric and "
            "dialkyl peroxides."
        ),
        "do-not-distil": Phrase(
            "Do not distil or concentrate {code}. Ask the supervisor: somebody trained removes "
            "the peroxides and tests again, or a licensed contractor takes it."
        ),
        "do-not-use": Phrase("Do not use {code}. Keep it shut and have it taken by a licensed contractor."),
        "do-not-touch": Phrase(
            "Leave {code} where it is: do not open, turn or carry it. Keep others away and get help."
        ),
    }
)


def heel_ul(volume_ul: int, fraction: Decimal) -> int:
    """The least volume to leave in the still, in µl: that fraction of what was charged, rounded up."""
    return int((volume_ul * fraction).to_integral_value(ROUND_CEILING))


def remedy(level: Level, code: str) -> str:
    """What somebody in front of the container does instead."""
    return Phrase(REMEDIES[level], code=code)
