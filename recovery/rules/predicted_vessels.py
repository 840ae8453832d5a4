"""What stays on and in things: heel, wetted vessels, apparatus, product, a bed of solid."""

from __future__ import annotations

from inventory.rules.phrases import Phrase
from recovery.rules.predicted_terms import OUR_CHOICE, Ask, Input, Term, between, not_told, worked_out

__all__ = ["apparatus_hold_up", "bed", "heel", "product", "wetting"]

FILM_ML = (0.5, 2.0)
PRODUCT_ML_PER_G = (0.1, 1.0)
BED_SHARE = (0.4, 0.8)
TOLD_SHARE = 0.1
AS_TOLD = Phrase("as told")


def _known(told: tuple[float, float]) -> tuple[float, float]:
    """A volume that was told; without an uncertainty of its own a tenth of it counts as one."""
    value, u = told
    return value, u or value * TOLD_SHARE


def heel(ask: Ask) -> Term | None:
    """What is to stay in the still. None for a run that does not distil, or for what needs no heel."""
    if not ask.distils or not ask.concerns("coolant-temperature", "take-over-time", "bath-temperature"):
        return None
    words = Phrase("heel left in the still")
    if not ask.heel_ml and not ask.forms_peroxides:
        return None
    if not ask.heel_ml:
        why = Phrase(
            "no heel is recorded: none is counted, though one should be left (common practice: a tenth)"
        )
        return not_told("heel", words, ["heel"], why, place="still-residue")
    return worked_out(
        "heel",
        words,
        work=lambda at: at["heel"],
        inputs=[Input("heel", ask.heel_ml, ask.heel_ml * TOLD_SHARE, "mL")],
        most_ml=ask.charged_ml,
        formula=Phrase("as asked for when it was charged"),
        assumptions=[Phrase("what was asked to be left was left, give or take a tenth")],
        sources=[Phrase("the clearances of the run")],
        place="still-residue",
    )


def wetting(ask: Ask) -> Term | None:
    """Films on vessels and in funnels: as told, or so much for each transfer."""
    if not ask.concerns("transfers", "wetted-volume"):
        return None
    words = Phrase("left on vessels and in transfers")
    told, transfers = ask.told("wetted-volume"), ask.told("transfers")
    if told is not None:
        return worked_out(
            "wetting",
            words,
            work=lambda at: at["film"],
            inputs=[Input("film", *_known(told), "mL")],
            most_ml=ask.charged_ml,
            formula=AS_TOLD,
        )
    if transfers is None:
        why = Phrase("neither the film left in vessels nor the number of transfers is told: none is counted")
        return not_told("wetting", words, ["transfers", "wetted-volume"], why)
    low, high = FILM_ML
    return worked_out(
        "wetting",
        words,
        work=lambda at: at["transfers"] * at["each"],
        inputs=[Input("transfers", *transfers, "1"), Input("each", *between(low, high), "mL", told=False)],
        most_ml=ask.charged_ml,
        formula=Phrase("transfers × film of each"),
        assumptions=[
            Phrase("each transfer leaves {low:g} to {high:g} mL, {why}", low=low, high=high, why=OUR_CHOICE)
        ],
    )


def apparatus_hold_up(ask: Ask) -> Term | None:
    """What stays on the walls and in the joints of the apparatus named. None when none is."""
    held = ask.hold_up_ml
    if not held:
        return None
    words = Phrase("left in {names}", names=", ".join(held))
    known = {name: ml for name, ml in held.items() if ml is not None}
    if not known:
        why = Phrase("hold-up of {name} not recorded: none is counted", name=", ".join(held))
        return not_told("apparatus", words, ["hold-up"], why)
    unknown = [
        Phrase("hold-up of {name} not recorded: none is counted", name=name)
        for name in held
        if name not in known
    ]
    return worked_out(
        "apparatus",
        words,
        work=lambda at: sum(at.values()),
        inputs=[Input(name, *_known((ml, 0.0)), "mL") for name, ml in known.items()],
        most_ml=ask.charged_ml,
        formula=Phrase("sum of hold-ups"),
        assumptions=unknown,
        sources=[Phrase("records of the apparatus")],
    )


def product(ask: Ask) -> Term | None:
    """What the product holds: as told, or so much for each gram."""
    if not ask.concerns("product-hold-up", "product-mass"):
        return None
    words = Phrase("held by the product")
    told, grams = ask.told("product-hold-up"), ask.told("product-mass")
    if told is not None:
        return worked_out(
            "product",
            words,
            work=lambda at: at["held"],
            inputs=[Input("held", *_known(told), "mL")],
            most_ml=ask.charged_ml,
            formula=AS_TOLD,
            place="product",
        )
    if grams is None:
        why = Phrase("neither what the product held nor its mass is told: none is counted")
        return not_told("product", words, ["product-hold-up", "product-mass"], why, place="product")
    low, high = PRODUCT_ML_PER_G
    return worked_out(
        "product",
        words,
        work=lambda at: at["mass"] * at["each gram"],
        inputs=[Input("mass", *grams, "g"), Input("each gram", *between(low, high), "mL/g", told=False)],
        most_ml=ask.charged_ml,
        formula=Phrase("mass × hold-up of each gram"),
        assumptions=[
            Phrase("each gram holds {low:g} to {high:g} mL, {why}", low=low, high=high, why=OUR_CHOICE)
        ],
        place="product",
    )


def bed(ask: Ask) -> Term | None:
    """What a column bed or a thimble keeps in its pores when it is not blown dry."""
    if not ask.concerns("bed-volume"):
        return None
    words = Phrase("kept by the bed or thimble")
    told = ask.told("bed-volume")
    if told is None:
        why = Phrase("volume of the bed not told: none is counted")
        return not_told("bed", words, ["bed-volume"], why)
    low, high = BED_SHARE
    return worked_out(
        "bed",
        words,
        work=lambda at: at["bed"] * at["pores"],
        inputs=[Input("bed", *told, "mL"), Input("pores", *between(low, high), "1", told=False)],
        most_ml=ask.charged_ml,
        formula=Phrase("bed volume × share of pores"),
        assumptions=[
            Phrase(
                "pores are {low:g} to {high:g} of the bed and stay full, {why}",
                low=low,
                high=high,
                why=OUR_CHOICE,
            )
        ],
    )
