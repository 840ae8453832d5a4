"""Keys that stand in sentences, as phrases: a program reads the key, a person what it is called."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from inventory.rules.phrases import Phrase

__all__ = ["DRIVER_KEYS", "FACT_KEYS", "named", "named_all"]

#: facts that a run may be asked for, and what else a prediction may miss
FACT_KEYS: Mapping[str, Phrase] = {
    "water-volume": Phrase("volume of the water phases"),
    "water-phases": Phrase("number of fresh water phases"),
    "contacts": Phrase("number of portions"),
    "water-temperature": Phrase("temperature of the water"),
    "salting": Phrase("salt in the water"),
    "salt-concentration": Phrase("concentration of the salt"),
    "coolant-temperature": Phrase("temperature of the coolant"),
    "take-over-time": Phrase("take-over time"),
    "room-temperature": Phrase("temperature of the room"),
    "pressure": Phrase("pressure"),
    "bath-temperature": Phrase("temperature of the bath"),
    "gas-volume": Phrase("volume of gas displaced"),
    "open-time": Phrase("time that vessels stood open"),
    "open-area": Phrase("open surface"),
    "transfers": Phrase("number of transfers"),
    "wetted-volume": Phrase("film left in vessels"),
    "product-mass": Phrase("mass of the product"),
    "product-hold-up": Phrase("what the product held"),
    "bed-volume": Phrase("volume of the bed"),
    "cycles": Phrase("number of siphonings"),
    "molar-mass": Phrase("molar mass"),
    "heel": Phrase("heel"),
    "hold-up": Phrase("hold-up of the apparatus"),
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
#: as fits that were kept earlier still say them
EARLIER = (Phrase("take-over-time"), Phrase("transfers"))


def named(key: str) -> str:
    """A key as a phrase; one that nobody gave a word stays as it is."""
    return FACT_KEYS.get(key) or DRIVER_KEYS.get(key) or key


def named_all(keys: Iterable[str]) -> Phrase:
    """Several, with commas between."""
    return Phrase.joined([named(key) for key in keys], ", ")
