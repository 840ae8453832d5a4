"""Who is told of what unless they choose otherwise, and the cautions that go with every message.

The defaults are our choice, not published: whoever works at the bench hears of what can hurt at once, those
who look after the stock of all that needs a test, and everybody with a task gets the morning's summary.
"""

from __future__ import annotations

from dataclasses import dataclass

from inventory.rules.phrases import Phrase

SEVERITY_MAX = 9


@dataclass(frozen=True)
class Choice:
    """at_once_severity: alerts of this severity or worse (1 is worst) go out at once; 0: none."""

    at_once_severity: int
    digest: bool


NOTHING = Choice(0, False)
DEFAULTS: dict[str, Choice] = {
    "supervisor": Choice(2, True),
    "steward": Choice(3, True),
    "member": Choice(1, False),
    "auditor": NOTHING,
}

# Usual practice, in our words: compare Michigan State EHS and UCLA EHS on peroxide formers.
CAUTIONS = (
    Phrase(
        "Crystals, a cloudy or oily layer, a stuck or rusted cap, or an age that nobody knows: do not touch, "
        "open or move the container. Keep others away and get help."
    ),
    Phrase("Never distil to dryness, and never distil a peroxide former that has not passed a fresh test."),
    Phrase(
        "This message rests on what is recorded. Your local code and your safety officer come first; "
        "disposal is for licensed firms."
    ),
)
