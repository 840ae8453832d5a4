"""Vapour in a room: from solvent lost to ppm, and what share of explosive and exposure limits that is.

The room is one well-mixed box with fresh air: dC/dt = G/V - n·C, n the air changes. Nothing is taken for
granted that would make it look better: no air changes where none are told, all of the vapour inside, and
near the bench badly mixed air (a factor from 1 to 10 in the ventilation formula, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from inventory.rules.phrases import Phrase
from recovery.rules.vapour_pressure import ATMOSPHERE_KPA, ZERO_C_K

GAS_L_KPA = 8.314462618  # L·kPa/(mol·K), exact in the SI
# Air changes within the hours in question below which none of the vapour is taken away: the worse case.
NO_AIR = 1e-9
PPM = 1e6
PPM_PER_PERCENT = 10_000
TORR_PER_KPA = 760 / ATMOSPHERE_KPA
SHIFT_H = 8.0
SHORT_H = 0.25
MIXING_WORST = 10.0
ROOM_WORST_M3 = 20.0
ROOM_C = 20.0
#: below that of every listed solvent (2,2,4-trimethylpentane 0.7 %)
LEL_WORST_PCT = 0.6
ALARM_SHARE = 0.10
SOURCES = (
    "vapour volume: ideal gas, V = nRT/P; mg/m3 = ppm·M/24.45 at 25 °C and 760 torr: CCOHS",
    "saturated level 1e6·P/760: NRC 1981, Prudent Practices, p. 196",
    "ventilation Q = 24·SG·ER·1e6·K/(M·C), in US units 403: Univ. Toledo, ABIH equation list",
    "10 % of the lower explosive limit is a common alarm level: NIOSH IDLH practice",
    "time-weighted mean over eight hours: 29 CFR 1910.1000(d)",
)
FORMULA = "dC/dt = G/V - n·C; C in ppm = 1e6 · vapour volume / room volume"


@dataclass(frozen=True, slots=True)
class Room:
    """A room, best made by `known_room`. mixing: how many times the mean the air near the bench may hold."""

    volume_m3: float
    air_changes_per_h: float
    mixing: float = MIXING_WORST
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a release does, in ppm. near_…: the same by the mixing factor, at most what saturates the air.

    mean_8h_ppm: over eight hours from the start; mean_15min_ppm: over the worst quarter of an hour.
    saturated: the air could hold no more, so that not all of it can have been vapour.
    """

    peak_ppm: float
    mean_8h_ppm: float
    mean_15min_ppm: float
    near_peak_ppm: float
    near_mean_8h_ppm: float
    near_mean_15min_ppm: float
    saturated_ppm: float
    saturated: bool


def known_room(volume_m3: float | None, air_changes_per_h: float | None, mixing: float | None = None) -> Room:
    """The room with the worse case for what is not known of it, said in words."""
    said: list[str] = []
    if volume_m3 is None:
        said.append(
            Phrase("size of the room not known: {size:g} m³ taken, a small closed one", size=ROOM_WORST_M3)
        )
    if air_changes_per_h is None:
        said.append(Phrase("air changes not known: none taken"))
    if mixing is None:
        said.append(
            Phrase("mixing not known: {times:g} times the mean taken near the bench", times=MIXING_WORST)
        )
    return Room(
        ROOM_WORST_M3 if volume_m3 is None else volume_m3,
        0.0 if air_changes_per_h is None else air_changes_per_h,
        MIXING_WORST if mixing is None else mixing,
        tuple(said),
    )


def molar_litres(temperature_c: float, pressure_kpa: float = ATMOSPHERE_KPA) -> float:
    """Litres of one mole of gas: 24.465 at 25 °C and 760 torr."""
    return GAS_L_KPA * (temperature_c + ZERO_C_K) / pressure_kpa


def mg_m3_of_ppm(
    ppm: float, molar_mass_g: float, temperature_c: float = 25, pressure_kpa: float = ATMOSPHERE_KPA
) -> float:
    """Mass per cubic metre of so many parts per million by volume."""
    return ppm * molar_mass_g / molar_litres(temperature_c, pressure_kpa)


def ppm_of_mg_m3(
    mg_m3: float, molar_mass_g: float, temperature_c: float = 25, pressure_kpa: float = ATMOSPHERE_KPA
) -> float:
    """The other way round."""
    return mg_m3 * molar_litres(temperature_c, pressure_kpa) / molar_mass_g


def vapour_litres(
    liquid_ml: float,
    density_g_ml: float,
    molar_mass_g: float,
    temperature_c: float = 25,
    pressure_kpa: float = ATMOSPHERE_KPA,
) -> float:
    """Litres of vapour of so much liquid, all of it evaporated."""
    return liquid_ml * density_g_ml / molar_mass_g * molar_litres(temperature_c, pressure_kpa)


def saturated_ppm(vapour_pressure_kpa: float, pressure_kpa: float = ATMOSPHERE_KPA) -> float:
    """The most that the air can hold: 1e6·P/760 torr; a boiling liquid drives all air out."""
    return PPM * min(1.0, vapour_pressure_kpa / pressure_kpa)


def time_weighted_mean(parts: Sequence[tuple[float, float]], over_h: float = SHIFT_H) -> float:
    """Mean of (ppm, hours) over so many hours, whatever they add up to: 29 CFR 1910.1000(d)(1)(i)."""
    return math.fsum(ppm * hours for ppm, hours in parts) / over_h


def concentration_ppm(released_l: float, over_h: float, room: Room, at_h: float) -> float:
    """ppm in the well-mixed room so many hours after the release of vapour began.

    over_h: how long it is released, evenly; 0: all at once.
    """
    per_room = released_l / (room.volume_m3 * 1000) * PPM
    n = room.air_changes_per_h
    if at_h < 0:
        return 0.0
    if over_h == 0:
        return per_room * math.exp(-n * at_h)
    while_h = min(at_h, over_h)
    # So little air takes nothing away; in the quotient a number near zero is lost, and the vapour with it.
    grown = while_h if n * while_h < NO_AIR else -math.expm1(-n * while_h) / n
    return per_room / over_h * grown * math.exp(-n * max(0.0, at_h - over_h))


def mean_ppm(released_l: float, over_h: float, room: Room, from_h: float, until_h: float) -> float:
    """Mean over a stretch of time in closed form: what came in less what is there and what was before.

    From the balance n·∫C = G - (C(until) - C(from)); without air changes the integral itself.
    """
    per_room = released_l / (room.volume_m3 * 1000) * PPM
    n, span = room.air_changes_per_h, until_h - from_h
    if n * span < 1e-6:
        return _mean_without_air(per_room, over_h, from_h, until_h)
    share = 1.0 if over_h == 0 else (min(until_h, over_h) - min(from_h, over_h)) / over_h
    before = 0.0 if over_h == 0 and from_h <= 0 else concentration_ppm(released_l, over_h, room, from_h)
    came = per_room * share if over_h > 0 or from_h <= 0 else 0.0
    there = concentration_ppm(released_l, over_h, room, until_h)
    return max(0.0, (came + before - there) / (n * span))


def _mean_without_air(per_room: float, over_h: float, from_h: float, until_h: float) -> float:
    """The mean of a ramp up to the end of the release and a level after it."""
    if over_h == 0:
        return per_room
    rising_from, rising_to = min(from_h, over_h), min(until_h, over_h)
    ramp = per_room / over_h * (rising_to**2 - rising_from**2) / 2
    level = per_room * max(0.0, until_h - max(from_h, over_h))
    return (ramp + level) / (until_h - from_h)


def exposure(
    *, liquid_ml: float, over_h: float, room: Room, density_g_ml: float, molar_mass_g: float,
    vapour_pressure_kpa: float, temperature_c: float = ROOM_C, pressure_kpa: float = ATMOSPHERE_KPA,
) -> Exposure:  # fmt: skip
    """What so much liquid, evaporating evenly over a time, does to the air of a room over eight hours."""
    released_l = vapour_litres(liquid_ml, density_g_ml, molar_mass_g, temperature_c, pressure_kpa)
    most = saturated_ppm(vapour_pressure_kpa, pressure_kpa)
    peak = concentration_ppm(released_l, over_h, room, over_h)
    mean = mean_ppm(released_l, over_h, room, 0.0, SHIFT_H)
    short = _worst_quarter(released_l, over_h, room)
    near_peak, near_mean, near_short = (min(most, x * room.mixing) for x in (peak, mean, short))
    return Exposure(
        peak_ppm=min(most, peak),
        mean_8h_ppm=min(most, mean),
        mean_15min_ppm=min(most, short),
        near_peak_ppm=near_peak,
        near_mean_8h_ppm=near_mean,
        near_mean_15min_ppm=near_short,
        saturated_ppm=most,
        saturated=peak * room.mixing > most,
    )


def _worst_quarter(released_l: float, over_h: float, room: Room) -> float:
    """The highest mean over fifteen minutes: around the end of the release, looked for in steps of 15 s."""
    starts = (max(0.0, over_h - SHORT_H * step / 60) for step in range(61))
    return max(mean_ppm(released_l, over_h, room, start, start + SHORT_H) for start in starts)


def ventilation_m3_h(
    evaporation_l_h: float,
    specific_gravity: float,
    molar_mass_g: float,
    limit_ppm: float,
    mixing: float = 1.0,
) -> float:
    """Fresh air that holds a steady evaporation at a limit: 24·SG·ER·1e6·K/(M·C), ER in L/h, in m³/h.

    24 is m³ of vapour per kmol near 20 °C; the formula is printed with it.
    """
    return 24 * specific_gravity * evaporation_l_h * PPM * mixing / (molar_mass_g * limit_ppm)


def ventilation_cfm(
    evaporation_pt_min: float,
    specific_gravity: float,
    molar_mass_g: float,
    limit_ppm: float,
    mixing: float = 1.0,
) -> float:
    """The same in US units: 403·SG·ER·1e6·K/(M·C), ER in pints a minute, in cubic feet a minute."""
    return 403 * specific_gravity * evaporation_pt_min * PPM * mixing / (molar_mass_g * limit_ppm)
