"""The usual cautions that go with a verdict, in our own words. Common practice, no source, unless said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from inventory.rules.facts import ContainerFacts
from inventory.rules.levels import Level, Use
from inventory.rules.phrases import Phrase

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "local-code": Phrase(
            "Follow your local code and your school's rules; where they are stricter, they hold."
        ),
        "get-help": Phrase("Keep others away and call the supervisor or the emergency contact."),
        "leave-in-place": Phrase("Leave it where it is: do not open, shake, move or warm it."),
        "never-force-a-cap": Phrase(
            "Never force a stuck cap: peroxide in the thread can go off by friction."
        ),
        "licensed-disposal": Phrase(
            "Have a licensed waste contractor take it; never pour it out or let it dry up."
        ),
        "never-to-dryness": Phrase(
            "Never distil or evaporate to dryness: peroxides collect in what is left behind."
        ),
        "leave-the-heel": Phrase("Stop while the heel stated here is still in the still."),
        "goggles-and-shield": Phrase(
            "Wear splash goggles and gloves, and work behind a shield in a fume hood."
        ),
        "no-ignition-sources": Phrase("No flames, sparks or hot plates near it: its vapour is flammable."),
        # Iowa State EHS pec/9: strips see hydroperoxides and most others, dialkyl and cyclic ones partly.
        # RIT: not polymeric ones.
        "tests-miss-some": Phrase(
            "Strips and iodide miss polymeric and most dialkyl peroxides: no test proves that there are none."
        ),
        "gloved-hands": Phrase("Wear goggles and gloves when you open it to test it."),
    }
)


def cautions_for(facts: ContainerFacts, use: Use, level: Level) -> tuple[str, ...]:
    """The codes of the cautions to show, in the order of `CAUTIONS`."""
    wanted = set(_wanted(facts, use, level))
    return tuple(code for code in CAUTIONS if code in wanted)


def _wanted(facts: ContainerFacts, use: Use, level: Level) -> Iterable[str]:
    yield "local-code"
    if level == "do-not-touch":
        yield from ("get-help", "leave-in-place", "no-ignition-sources", "licensed-disposal")
    if level == "do-not-use":
        yield from ("licensed-disposal", "no-ignition-sources")
    if facts.signs & {"cap-stuck", "cap-rusted"}:
        yield "never-force-a-cap"
    if use in ("draw", "distil", "open") and level != "do-not-touch":
        yield "no-ignition-sources"
    if facts.peroxide_class == "none":
        return
    if use == "distil":
        yield "never-to-dryness"
    if use == "distil" and level not in ("do-not-use", "do-not-touch"):
        # How to work safely would read as leave to work.
        yield from ("leave-the-heel", "goggles-and-shield")
    if level == "test-first" and use != "move":
        yield "gloved-hands"
    if facts.last_test is not None:
        yield "tests-miss-some"
