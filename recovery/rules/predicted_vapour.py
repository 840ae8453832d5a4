"""What leaves a run as vapour: past the condenser, at venting a funnel, from vessels that stand open."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from inventory.rules.phrases import Phrase
from recovery.rules.predicted_terms import OUR_CHOICE, Ask, Input, Term, between, not_told, worked_out
from recovery.rules.vapour_pressure import ATMOSPHERE_KPA, ZERO_C_K, pressure_kpa

__all__ = ["evaporation_g_per_min", "open_vessels", "past_the_condenser", "vapour_in_gas_mol", "venting"]

GAS_CONSTANT = 8.314462618  # L·kPa/(mol·K), CODATA 2018
COOLANT_C = (5.0, 25.0)
ROOM_C = (15.0, 25.0)
VENT_ML_PER_MIN = 20.0
AIR_SPEED_M_S = (0.05, 0.5)
HEADSPACE_SHARE = (1 / 3, 1.0)
MMHG_PER_KPA = 7.500616827
CM2_PER_FT2 = 929.0304
G_PER_LB = 453.59237
AIR = "air"
PAST_WORDS = Phrase("vapour past the condenser")
OPEN_WORDS = Phrase("vapour from vessels that stood open")
VENT_WORDS = Phrase("vapour let out at venting and emptying the funnel")


def vapour_in_gas_mol(gas_l: float, gas_c: float, vapour_kpa: float, pressure_kpa: float) -> float:
    """Vapour that so much dry gas carries away, saturated, in mol: n = P0·V/(R·T) · p/(P - p).

    gas_l: at gas_c and one atmosphere. pressure_kpa: in the apparatus. Where the vapour pressure reaches it
    nothing is held back and the answer is infinite.
    """
    if vapour_kpa >= pressure_kpa:
        return float("inf")
    carrier = ATMOSPHERE_KPA * gas_l / (GAS_CONSTANT * (gas_c + ZERO_C_K))
    return carrier * vapour_kpa / (pressure_kpa - vapour_kpa)


def evaporation_g_per_min(
    *, area_cm2: float, air_m_s: float, molar_mass: float, vapour_kpa: float, kelvin: float
) -> float:
    """Evaporation of an open surface, in g/min.

    QR (lb/min) = 0.284·U^0.78·M^(2/3)·A(ft2)·P(mmHg) / (82.05·T): US EPA, Risk Management Program guidance
    for offsite consequence analysis, appendix D (from memory). The liquid cools as it evaporates, so it is
    the most.
    """
    pounds: float = (
        0.284
        * air_m_s**0.78
        * molar_mass ** (2 / 3)
        * (area_cm2 / CM2_PER_FT2)
        * (vapour_kpa * MMHG_PER_KPA)
        / (82.05 * kelvin)
    )
    return pounds * G_PER_LB


def past_the_condenser(ask: Ask) -> Term | None:
    """Gas leaves the apparatus saturated at the coolant's temperature where it leaves the condenser.

    None for a run that does not distil. The gas: as told, or that which the distillate displaces from the
    receiver and more, up to what the flask held and what a vent may pass in the take-over time.
    """
    if not ask.distils or not ask.concerns("coolant-temperature", "take-over-time", "gas-volume"):
        return None
    if ask.solvent.molar_mass_g_per_mol is None:
        why = Phrase("molar mass not recorded: vapour cannot be turned into liquid")
        return not_told("condenser", PAST_WORDS, ["molar-mass"], why, place=AIR)
    coolant, said = _coolant(ask)
    gas, told_gas, gas_words = _gas(ask)
    pressure = ask.told("pressure")
    room_c = _room(ask)[0]
    vapour = pressure_kpa(ask.solvent, coolant.value)
    if pressure is None:
        said.append(Phrase("pressure not told: open to the air, {kpa:g} kPa", kpa=ATMOSPHERE_KPA))
    vacuum_asked = ask.asked is not None and "pressure" in ask.asked
    return worked_out(
        "condenser",
        PAST_WORDS,
        work=lambda at: _liquid_ml(
            ask,
            vapour_in_gas_mol(
                at["gas"],
                room_c,
                pressure_kpa(ask.solvent, at["coolant"]).value * at["vapour pressure"],
                at["pressure"],
            ),
        ),
        inputs=[
            coolant,
            Input("gas", *gas, "L", told=told_gas),
            Input(
                "pressure",
                *(pressure or (ATMOSPHERE_KPA, 0.0)),
                "kPa",
                told=pressure is not None or not vacuum_asked,
            ),
            Input("vapour pressure", 1.0, vapour.u / vapour.value, ""),
        ],
        most_ml=ask.charged_ml,
        formula=Phrase(
            "n = P0·V/(R·T)·p/(P - p), p at the coolant's temperature as it leaves; volume = n·M/density"
        ),
        assumptions=[
            *said,
            *gas_words,
            *vapour.assumptions,
            Phrase("the gas leaves saturated and no colder"),
        ],
        sources=[*vapour.sources, Phrase("ideal gas, Dalton: n(vapour)/n(gas) = p/(P - p)")],
        place=AIR,
    )


def _coolant(ask: Ask) -> tuple[Input, list[str]]:
    told = ask.told("coolant-temperature")
    if told is not None:
        return Input("coolant", *told, "Cel"), []
    low, high = COOLANT_C
    words = Phrase(
        "temperature of the coolant not told: anything from {low:g} to {high:g} °C taken, {why}",
        low=low,
        high=high,
        why=OUR_CHOICE,
    )
    return Input("coolant", *between(low, high), "Cel", told=False), [words]


def _gas(ask: Ask) -> tuple[tuple[float, float], bool, list[str]]:
    """((gas in L, u), told, words)."""
    told = ask.told("gas-volume")
    if told is not None:
        return told, True, []
    collected_l = (ask.charged_ml if ask.returned_ml is None else ask.returned_ml) / 1000
    minutes = ask.told("take-over-time")
    flask_l = 2 * ask.charged_ml / 1000
    vented_l = VENT_ML_PER_MIN * minutes[0] / 1000 if minutes else 0.0
    words: list[str] = [
        Phrase(
            "gas displaced not told: from the volume collected ({collected_l:.3g} L) up to that and what a "
            "flask twice the charge and a vent that passes {vent:g} mL/min add, {why}",
            collected_l=collected_l,
            vent=VENT_ML_PER_MIN,
            why=OUR_CHOICE,
        )
    ]
    if minutes is None:
        words.append(Phrase("take-over time not told: nothing counted for the vent"))
    return between(collected_l, collected_l + flask_l + vented_l), False, words


def _room(ask: Ask) -> tuple[float, float, bool]:
    told = ask.told("room-temperature")
    return (*told, True) if told is not None else (*between(*ROOM_C), False)


def _room_words(known: bool) -> list[str]:
    low, high = ROOM_C
    words = Phrase("room not told: anything from {low:g} to {high:g} °C taken", low=low, high=high)
    return [] if known else [words]


def _liquid_ml(ask: Ask, moles: float) -> float:
    """Vapour as liquid at 20 °C, in mL."""
    return moles * (ask.solvent.molar_mass_g_per_mol or 0.0) / ask.solvent.density_20c_g_ml


def open_vessels(ask: Ask) -> Term | None:
    """What evaporates from a surface that stands open. Area and time must both be told."""
    if not ask.concerns("open-time", "open-area"):
        return None
    area, minutes = ask.told("open-area"), ask.told("open-time")
    missing = [key for key, told in (("open-area", area), ("open-time", minutes)) if told is None]
    if area is None or minutes is None:
        why = Phrase("how long vessels stood open and how wide is not told: none is counted")
        return not_told("open-vessels", OPEN_WORDS, missing, why, place=AIR)
    room_c, u_room, known = _room(ask)
    vapour = pressure_kpa(ask.solvent, room_c)
    low, high = AIR_SPEED_M_S
    return worked_out(
        "open-vessels",
        OPEN_WORDS,
        work=lambda at: at["minutes"] * _rate_ml(ask, at),
        inputs=[
            Input("area", *area, "cm2"),
            Input("minutes", *minutes, "min"),
            Input("room", room_c, u_room, "Cel", told=known),
            Input("air", *between(low, high), "m/s", told=False),
            Input("vapour pressure", 1.0, vapour.u / vapour.value, ""),
        ],
        most_ml=ask.charged_ml,
        formula=Phrase(
            "0.284·U^0.78·M^(2/3)·A·P/(82.05·T) lb/min, A in ft2, P in mmHg, U in m/s; time over density"
        ),
        assumptions=[
            Phrase(
                "air moves at {low:g} to {high:g} m/s, {why}; the liquid stays at room temperature",
                low=low,
                high=high,
                why=OUR_CHOICE,
            ),
            *_room_words(known),
            *vapour.assumptions,
        ],
        sources=[
            Phrase("US EPA RMP offsite consequence guidance, appendix D (from memory)"),
            *vapour.sources,
        ],
        place=AIR,
    )


def _rate_ml(ask: Ask, at: Mapping[str, float]) -> float:
    grams = evaporation_g_per_min(
        area_cm2=at["area"],
        air_m_s=at["air"],
        molar_mass=ask.solvent.molar_mass_g_per_mol or 0.0,
        vapour_kpa=pressure_kpa(ask.solvent, at["room"]).value * at["vapour pressure"],
        kelvin=at["room"] + ZERO_C_K,
    )
    return grams / ask.solvent.density_20c_g_ml


def venting(ask: Ask) -> Term | None:
    """Each portion fills the funnel's headspace with vapour; venting and emptying let it out.

    Air of one atmosphere P takes up the vapour pressure p and is let down to P, which lets p/(P + p) of the
    gas go; what then fills the headspace goes when it is emptied.
    """
    if not ask.concerns("contacts") or not ask.concerns("water-volume"):
        return None
    contacts, water = ask.told("contacts"), ask.told("water-volume")
    if contacts is None or water is None:
        missing = [key for key, told in (("contacts", contacts), ("water-volume", water)) if told is None]
        why = Phrase(
            "number of portions or volume of water not told: vapour let out at venting is not counted"
        )
        return not_told("venting", VENT_WORDS, missing, why, place=AIR)
    room_c, u_room, known = _room(ask)
    vapour = pressure_kpa(ask.solvent, room_c)
    count = max(1.0, contacts[0])
    low, high = (share * (ask.charged_ml / count + water[0]) / 1000 for share in HEADSPACE_SHARE)
    return worked_out(
        "venting",
        VENT_WORDS,
        work=_vented(ask, count),
        inputs=[
            Input("portions", count, 0.0, "1"),
            Input("headspace", *between(low, high), "L", told=False),
            Input("room", room_c, u_room, "Cel", told=known),
            Input("vapour pressure", 1.0, vapour.u / vapour.value, ""),
        ],
        most_ml=ask.charged_ml,
        formula=Phrase("for each portion n = p·V/(R·T)·(1 + p/(P + p)); volume = n·M/density"),
        assumptions=[
            Phrase(
                "headspace from a third of the liquid to as much again, {why}; one venting a portion",
                why=OUR_CHOICE,
            ),
            *_room_words(known),
            *vapour.assumptions,
        ],
        sources=[Phrase("ideal gas, Dalton"), *vapour.sources],
        place=AIR,
    )


def _vented(ask: Ask, count: float) -> Callable[[Mapping[str, float]], float]:
    def work(at: Mapping[str, float]) -> float:
        vapour = min(pressure_kpa(ask.solvent, at["room"]).value * at["vapour pressure"], ATMOSPHERE_KPA)
        moles = vapour * at["headspace"] / (GAS_CONSTANT * (at["room"] + ZERO_C_K))
        return count * _liquid_ml(ask, moles * (1 + vapour / (ATMOSPHERE_KPA + vapour)))

    return work
