"""Keys that stand in sentences, as phrases: a program reads the key, a person the word of their language."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from inventory.rules.phrases import Phrase

__all__ = ["DRIVER_KEYS", "FACT_KEYS", "named", "named_all"]

#: facts that a run may be asked for, and what else a prediction may miss
FACT_KEYS: Mapping[str, Phrase] = {
    "water-volume": Phrase("water-volume"),
    "water-phases": Phrase("water-phases"),
    "contacts": Phrase("contacts"),
    "water-temperature": Phrase("water-temperature"),
    "salting": Phrase("salting"),
    "salt-concentration": Phrase("salt-concentration"),
    "coolant-temperature": Phrase("coolant-temperature"),
    "take-over-time": Phrase("take-over-time"),
    "room-temperature": Phrase("room-temperature"),
    "pressure": Phrase("pressure"),
    "bath-temperature": Phrase("bath-temperature"),
    "gas-volume": Phrase("gas-volume"),
    "open-time": Phrase("open-time"),
    "open-area": Phrase("open-area"),
    "transfers": Phrase("transfers"),
    "wetted-volume": Phrase("wetted-volume"),
    "product-mass": Phrase("product-mass"),
    "product-hold-up": Phrase("product-hold-up"),
    "bed-volume": Phrase("bed-volume"),
    "cycles": Phrase("cycles"),
    "molar-mass": Phrase("molar-mass"),
    "heel": Phrase("heel"),
    "hold-up": Phrase("hold-up"),
}
#: what a loss may grow with
DRIVER_KEYS: Mapping[str, Phrase] = {
    "run": Phrase("run"),
    "charged": Phrase("charged"),
    "water-phase": Phrase("water-phase"),
    "take-over-time": FACT_KEYS["take-over-time"],
    "transfers": FACT_KEYS["transfers"],
    "open-vessels": Phrase("open-vessels"),
}


def named(key: str) -> str:
    """A key as a phrase; one that nobody gave a word stays as it is."""
    return FACT_KEYS.get(key) or DRIVER_KEYS.get(key) or key


def named_all(keys: Iterable[str]) -> Phrase:
    """Several, with commas between."""
    return Phrase.joined([named(key) for key in keys], ", ")
