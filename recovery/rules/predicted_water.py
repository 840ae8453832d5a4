"""What the water layer keeps of a solvent, and what water the solvent takes along."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from inventory.rules.phrases import Phrase
from recovery.rules.predicted_terms import Ask, Input, Term, between, not_told, worked_out
from recovery.rules.solubility import WaterPair, mutual, shake

__all__ = ["kept_ml", "setschenow_factor", "water_phase", "water_taken_up"]

NACL_G_PER_MOL = 58.44
ROOM_C = (15.0, 25.0)
PLACE = "water-layer"
WORDS = Phrase("dissolved in the water phase")
FACTS = ("water-volume", "water-phases", "water-temperature", "salting", "salt-concentration")
FORMULA = Phrase(
    "for each fresh water phase: m(solvent) = w·A + (1 - v)·B, m(water) = (1 - w)·A + v·B; kept = w·A; "
    "w, v: mass fractions at saturation, A, B: masses of water and solvent layer"
)


def setschenow_factor(constant_l_per_mol: float, salt_mol_per_l: float) -> float:
    """What share of its solubility in pure water is left in salt water: lg(S0/S) = k·c (Setschenow 1889)."""
    return float(10 ** (-constant_l_per_mol * salt_mol_per_l))


def water_phase(ask: Ask, *, setschenow_l_per_mol: float | None = None) -> Term | None:
    """Solvent dissolved in the water: one phase is saturated once, fresh water each time.

    None for a run without water.
    Fresh solvent on water that is saturated already loses no more to it, so the number of contacts does not
    count, the number of water phases does.
    """
    if not ask.concerns("water-volume"):
        return None
    water = ask.told("water-volume")
    if water is None:
        why = Phrase(
            "how much water there was is not told: what it kept cannot be worked out, and none is counted"
        )
        return not_told("water-phase", WORDS, ["water-volume"], why, place=PLACE)
    phases = ask.told("water-phases")
    temperature, assumed = _temperature(ask)
    pair = mutual(ask.solvent, temperature.value)
    salt, salted, words = _salt(ask, setschenow_l_per_mol)
    if phases is None:
        assumed.append(Phrase("number of fresh water phases not told: one taken, the fewest"))
    count = max(1, round(phases[0])) if phases else 1
    inputs = [
        Input("water", *water, "mL"),
        temperature,
        Input("phases", float(count), 0.0, "1", told=phases is not None),
        Input("in water", 1.0, _relative(pair.in_water.value, pair.in_water.u), ""),
        Input("of water", 1.0, _relative(pair.of_water.value, pair.of_water.u), ""),
        Input("salt", *salt, "", told=not salted),
    ]
    term = worked_out(
        "water-phase",
        WORDS,
        work=_kept(ask, count),
        inputs=inputs,
        most_ml=ask.charged_ml,
        formula=FORMULA,
        assumptions=[
            *assumed,
            *words,
            *pair.assumptions,
            Phrase("each water phase is shaken until saturated"),
        ],
        sources=[*pair.sources, Phrase("one phase is saturated once: two mass balances at saturation")],
        place=PLACE,
    )
    return replace(term, inputs=(*term.inputs, *_solubilities(pair)))


def kept_ml(ask: Ask) -> float | None:
    """The value of `water_phase` alone, in mL, for many runs at once; None where no water was told."""
    water, phases = ask.told("water-volume"), ask.told("water-phases")
    if water is None:
        return None
    at = {
        "water": water[0],
        "temperature": _temperature(ask)[0].value,
        "in water": 1.0,
        "of water": 1.0,
        "salt": _salt(ask, None)[0][0],
    }
    kept = _kept(ask, max(1, round(phases[0])) if phases else 1)(at)
    return min(max(kept, 0.0), ask.charged_ml)


def _kept(ask: Ask, count: int) -> Callable[[Mapping[str, float]], float]:
    def work(at: Mapping[str, float]) -> float:
        pair = mutual(ask.solvent, at["temperature"])
        if pair.miscible:
            return ask.charged_ml
        left, kept = ask.charged_ml, 0.0
        for _ in range(count):
            layers = shake(
                left,
                at["water"] / count,
                density_g_ml=ask.solvent.density_20c_g_ml,
                in_water=min(pair.in_water.value * at["in water"] * at["salt"], 1.0),
                of_water=min(pair.of_water.value * at["of water"], 1.0),
            )
            kept, left = kept + layers.kept_ml, layers.organic_ml
        return kept

    return work


def _temperature(ask: Ask) -> tuple[Input, list[str]]:
    told = ask.told("water-temperature")
    if told is not None:
        return Input("temperature", *told, "Cel"), []
    told = ask.told("room-temperature")
    if told is not None:
        words = Phrase("temperature of the water not told: that of the room taken")
        return Input("temperature", *told, "Cel"), [words]
    low, high = ROOM_C
    words = Phrase(
        "temperature of the water not told: anything from {low:g} to {high:g} °C taken", low=low, high=high
    )
    return Input("temperature", *between(low, high), "Cel", told=False), [words]


def _salt(ask: Ask, constant: float | None) -> tuple[tuple[float, float], bool, list[str]]:
    """((factor, u), whether it is an assumed range, words)."""
    salting = ask.word("salting")
    grams = ask.told("salt-concentration")
    if salting in ("", "none") and grams is None:
        return (1.0, 0.0), False, [] if salting else [Phrase("salt in the water not told: none taken")]
    if constant is not None and grams is not None:
        factor = setschenow_factor(constant, grams[0] / NACL_G_PER_MOL)
        words = Phrase(
            "salt taken as sodium chloride, Setschenow constant {constant:g} L/mol: {factor:.2f} is left",
            constant=constant,
            factor=factor,
        )
        return (factor, 0.0), False, [words]
    words = Phrase(
        "salted: salt drives solvent out of the water, by an unknown share; anything from none to all of "
        "what pure water keeps is taken"
    )
    return between(0.0, 1.0), True, [words]


def _relative(value: float, u: float) -> float:
    return u / value if value else 0.0


def _solubilities(pair: WaterPair) -> tuple[Input, ...]:
    return (
        Input("solvent in water at saturation", pair.in_water.value * 100, pair.in_water.u * 100, "%"),
        Input("water in solvent at saturation", pair.of_water.value * 100, pair.of_water.u * 100, "%"),
    )


def water_taken_up(ask: Ask) -> Term | None:
    """Water that the solvent takes up: no loss, it makes the organic layer larger. Not part of the total."""
    if not ask.concerns("water-volume") or ask.told("water-volume") is None:
        return None
    temperature, assumed = _temperature(ask)
    pair = mutual(ask.solvent, temperature.value)
    if pair.miscible:
        return None
    water_ml = ask.told("water-volume") or (0.0, 0.0)

    def work(at: Mapping[str, float]) -> float:
        there = mutual(ask.solvent, at["temperature"])
        layers = shake(
            ask.charged_ml,
            at["water"],
            density_g_ml=ask.solvent.density_20c_g_ml,
            in_water=there.in_water.value,
            of_water=min(there.of_water.value * at["of water"], 1.0),
        )
        return layers.taken_up_ml

    term = worked_out(
        "water-taken-up",
        Phrase("water taken up by the solvent (no loss: what comes back is larger by it)"),
        work=work,
        inputs=[
            Input("water", *water_ml, "mL"),
            temperature,
            Input("of water", 1.0, _relative(pair.of_water.value, pair.of_water.u), ""),
        ],
        most_ml=water_ml[0],
        formula=Phrase("taken up = v·B, as for the water phase"),
        assumptions=[*assumed, *pair.of_water.assumptions],
        sources=pair.of_water.sources,
    )
    return replace(term, counts=False)
