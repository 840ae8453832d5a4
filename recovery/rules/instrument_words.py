"""Instruments by their keys as phrases: what each is called."""

from __future__ import annotations

from inventory.rules.phrases import Phrase

__all__ = ["instrument_words"]

# Without what stands after the last hyphen.
_FAMILIES = {
    "cylinder-a": Phrase("class A cylinder of {size} mL"),
    "cylinder-b": Phrase("class B cylinder of {size} mL"),
    "flask-a": Phrase("class A flask of {size} mL"),
    "flask-b": Phrase("class B flask of {size} mL"),
    "burette-a": Phrase("class A burette of {size} mL"),
    "burette-b": Phrase("class B burette of {size} mL"),
    "pipette-a": Phrase("class A pipette of {size} mL"),
    "pipette-b": Phrase("class B pipette of {size} mL"),
    "graduated-pipette": Phrase("graduated pipette of {size} mL"),
    "balance": Phrase("balance with steps of {size}"),
}


def instrument_words(key: str) -> str:
    """An instrument in a sentence; what has no word of its own stays its key."""
    family, _, size = key.rpartition("-")
    return Phrase(_FAMILIES[family], size=size) if family in _FAMILIES else key
