"""What the shipped kinds of run and their fields are called, as phrases.

The file of the kinds keeps English; a lab may add kinds and fields of its own, and whose names those are
they stay as they were given. Held to the file by `tests/recovery/test_shipped_kinds.py`.
"""

from __future__ import annotations

from collections.abc import Mapping

from inventory.rules.phrases import Phrase

__all__ = ["SHIPPED", "shipped"]

_WORDS = (
    Phrase("Volume of the water phases"),
    Phrase("All water phases together that the solvent was shaken with, washings included."),
    Phrase("Fresh water phases"),
    Phrase(
        "How many fresh water phases there were: one saturates once, several take up their share each time."
    ),
    Phrase("Portions of solvent"),
    Phrase("With how many portions of solvent the water was extracted."),
    Phrase("Temperature of the water phase"),
    Phrase("When it was shaken; it decides how much solvent the water keeps."),
    Phrase("Salt in the water phase"),
    Phrase("Salt drives solvent out of the water phase."),
    Phrase("none"),
    Phrase("some salt"),
    Phrase("saturated"),
    Phrase("Salt concentration"),
    Phrase(
        "Of the water phase, if it was weighed in. Sodium chloride is saturated near 360 g/kg of water at "
        "20 °C (from memory)."
    ),
    Phrase("Temperature of the coolant"),
    Phrase("As it leaves the condenser: the vapour there is no colder."),
    Phrase("Time to take over"),
    Phrase("How long solvent was distilled or concentrated."),
    Phrase("Temperature of the room"),
    Phrase("Pressure"),
    Phrase("Absolute, as of a rotary evaporator. Left out: that of the room."),
    Phrase("Temperature of the bath"),
    Phrase("Air or gas displaced"),
    Phrase("Displaced from vessels or swept through them, measured as it left the condenser."),
    Phrase("Time that vessels stood open"),
    Phrase("Open surface of liquid"),
    Phrase("Of all vessels that stood open for that time."),
    Phrase("Transfers"),
    Phrase("How often solvent was poured from one vessel into another."),
    Phrase("Film left in vessels"),
    Phrase("If it is known, as by weighing a vessel wet and dry."),
    Phrase("Mass of product"),
    Phrase("Solvent held by the product"),
    Phrase("As found by drying it to constant mass."),
    Phrase("Volume of the bed"),
    Phrase("Of the packing of a column, or of the filled thimble."),
    Phrase("Siphonings"),
    Phrase("How often the extractor emptied itself."),
    Phrase("Liquid-liquid extraction"),
    Phrase("A solution is shaken with portions of a solvent; the solvent is taken off afterwards."),
    Phrase("Soxhlet extraction"),
    Phrase("Solvent boils, condenses on a solid in a thimble and siphons back, again and again."),
    Phrase("Column chromatography"),
    Phrase("An eluent runs through a packed column; fractions are concentrated."),
    Phrase("Recrystallisation"),
    Phrase("A solid is dissolved hot and comes out cold; the mother liquor is concentrated."),
    Phrase("Distillation"),
    Phrase("Solvent is distilled, at the pressure of the room or below."),
    Phrase("Reaction"),
    Phrase("Solvent is the medium of a reaction, or takes part in it."),
    Phrase("Rinsing"),
    Phrase("Vessels are rinsed; nothing is heated, distilled or concentrated."),
    Phrase("Other"),
    Phrase("Anything else. What is not known is taken as distilling, the worse."),
)
SHIPPED: Mapping[str, Phrase] = {str(words): words for words in (*_WORDS, Phrase("yes"), Phrase("no"))}


def shipped(text: str) -> str:
    """Words of the shipped file as a phrase; any others as they are."""
    return SHIPPED.get(text, text)
