"""Instruments by their keys as phrases: English has the key, another language what the thing is called."""

from __future__ import annotations

from inventory.rules.phrases import Phrase

__all__ = ["instrument_words"]

# Without what stands after the last hyphen.
_FAMILIES = {
    "cylinder-a": Phrase("cylinder-a-{size}"),
    "cylinder-b": Phrase("cylinder-b-{size}"),
    "flask-a": Phrase("flask-a-{size}"),
    "flask-b": Phrase("flask-b-{size}"),
    "burette-a": Phrase("burette-a-{size}"),
    "burette-b": Phrase("burette-b-{size}"),
    "pipette-a": Phrase("pipette-a-{size}"),
    "pipette-b": Phrase("pipette-b-{size}"),
    "graduated-pipette": Phrase("graduated-pipette-{size}"),
    "balance": Phrase("balance-{size}"),
}


def instrument_words(key: str) -> str:
    """An instrument in a sentence; what has no word of its own stays its key."""
    family, _, size = key.rpartition("-")
    return Phrase(_FAMILIES[family], size=size) if family in _FAMILIES else key
