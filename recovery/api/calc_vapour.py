"""The calculator of vapour in a room, and how its answer is written; a plan writes the same."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from rest_framework import serializers

from inventory.api.calculator import Calculator
from inventory.api.fields import Body, TextField
from inventory.api.measures import MeasureField
from inventory.rules.density import Liquid
from inventory.rules.errors import InputError
from inventory.rules.quantity import parse_quantity
from recovery.api.calculator_fields import (
    LOCAL,
    PureField,
    measured_out,
    number_out,
    shipped_solvent,
)
from recovery.api.shapes_calculators import VapourShape
from recovery.rules.asked import Wanted, read_amount, read_number
from recovery.rules.properties import Properties
from recovery.rules.vapour import (
    FORMULA,
    PPM_PER_PERCENT,
    ROOM_C,
    SOURCES,
    Room,
    known_room,
    mg_m3_of_ppm,
    ppm_of_mg_m3,
    time_weighted_mean,
)
from recovery.rules.vapour_check import CAUTIONS, VapourCheck, vapour_check
from recovery.rules.vapour_pressure import ATMOSPHERE_KPA

LOST = Wanted("lost", "volume", "mL", 0.001, 100_000)
TIME = Wanted("over", "time", "h", 1 / 3600, 168)
VOLUME = Wanted("room_volume", "volume", "m3", 0.5, 100_000, 0.0)
CHANGES = Wanted("air_changes", "frequency", "/h", 0, 100)
TEMPERATURE = Wanted("temperature", "temperature", "Cel", -10, 50)
PRESSURE = Wanted("pressure", "pressure", "kPa", 50, 120)
DENSITY = Wanted("density", "density", "g/mL", 0.4, 3)
EXPOSURES_MAX = 40
PPM_MOST = Decimal(1_000_000)


class ExposurePart(Body):
    level = MeasureField(help_text='As "150 ppm" or "590 mg/m3".')
    duration = MeasureField(help_text='As "1.5 h".')


class RoomAsk(Body):
    """What is known of the room; what is not is taken as the worse."""

    room_volume = MeasureField(required=False, help_text='As "60 m3". Left out: 20 m3.')
    air_changes = MeasureField(required=False, help_text='As "4 per h". Left out: none.')
    mixing = PureField(required=False, help_text="1 (well mixed) to 10. Left out: 10.")
    temperature = MeasureField(required=False, help_text="Of the room. Left out: 20 °C.")


class VapourAsk(RoomAsk):
    lost = MeasureField(help_text="Liquid that gets into the air.")
    over = MeasureField(required=False, help_text="In what time, evenly. Left out: all at once.")
    solvent = TextField(max_length=120, required=False, help_text="Or density and molar mass.")
    density = MeasureField(required=False)
    molar_mass = PureField(required=False, help_text="In g/mol.")
    pressure = MeasureField(required=False, help_text="Of the air. Left out: 101.325 kPa.")
    level = MeasureField(required=False, help_text="To be turned from ppm into mg/m3, or back.")
    exposures = serializers.ListField(
        child=ExposurePart(), required=False, max_length=EXPOSURES_MAX, help_text="For a mean over 8 h."
    )


class Vapours(Calculator):
    """Lost solvent as vapour in a room: ppm, mg/m3, share of the explosive limit and of exposure limits."""

    name = "vapour"
    summary = "Work vapour in a room out"
    ask = VapourAsk
    answer = VapourShape
    formula = FORMULA
    sources = SOURCES

    def work(self, data: Any) -> dict[str, Any]:
        of = _solvent(data)
        pressure = read_amount(data["pressure"], PRESSURE).value if "pressure" in data else ATMOSPHERE_KPA
        room, celsius = read_room(data)
        found = vapour_check(
            of,
            read_amount(data["lost"], LOST),
            read_amount(data["over"], TIME).value if "over" in data else 0.0,
            room,
            temperature_c=celsius,
            pressure_of_air_kpa=pressure,
        )
        level = None
        if "level" in data:
            ppm = _ppm(data["level"], "level", found.molar_mass_g, celsius, pressure)
            level = _level(ppm, ppm, found.molar_mass_g, celsius, pressure)
        return {
            "check": check_out(found, of, pressure),
            "level": level,
            "mean_of_exposures_ppm": self._mean(data, found, celsius, pressure),
            "formula": FORMULA,
            "sources": list(SOURCES),
            "assumptions": list(found.assumptions),
            "cautions": [*CAUTIONS, LOCAL],
        }

    def _mean(self, data: Any, found: VapourCheck, celsius: float, pressure: float) -> str | None:
        """The mean over eight hours of what was told of a day."""
        parts = []
        for index, part in enumerate(data.get("exposures", [])):
            ppm = _ppm(part["level"], f"exposures.{index}.level", found.molar_mass_g, celsius, pressure)
            duration = Wanted(f"exposures.{index}.duration", "time", "h", 0, 24)
            parts.append((ppm, read_amount(part["duration"], duration).value))
        if sum(hours for _, hours in parts) > 24:
            words = "These are more than 24 hours."
            raise InputError("exposures", "out-of-range", words, "Check the durations.")
        return number_out(time_weighted_mean(parts), 7) if parts else None


def read_room(data: Mapping[str, Any]) -> tuple[Room, float]:
    """(room, its temperature in °C), the worse for what is not told."""
    volume = read_amount(data["room_volume"], VOLUME).value if "room_volume" in data else None
    changes = read_amount(data["air_changes"], CHANGES).value if "air_changes" in data else None
    mixing = None
    if "mixing" in data:
        mixing = read_number(data["mixing"], field="mixing", low=1, high=10).value
    celsius = read_amount(data["temperature"], TEMPERATURE).value if "temperature" in data else ROOM_C
    return known_room(volume, changes, mixing), celsius


def _solvent(data: Mapping[str, Any]) -> Properties:
    by_numbers = "density" in data and "molar_mass" in data
    if ("solvent" in data) == ("density" in data or "molar_mass" in data) or not (
        "solvent" in data or by_numbers
    ):
        words = "Name a solvent, or give density and molar mass."
        raise InputError("solvent", "one-of-two", words, "Send exactly one of the two.")
    if "solvent" in data:
        return shipped_solvent(data["solvent"])
    density = read_amount(data["density"], DENSITY).value
    molar = read_number(data["molar_mass"], field="molar_mass", low=10, high=1000).value
    liquid = Liquid(Decimal(repr(density)) * 1000, Decimal(0), None)
    return Properties("this solvent", liquid, molar_mass_g_per_mol=molar)


def _ppm(raw: Any, field: str, molar_mass_g: float, celsius: float, pressure: float) -> float:
    pair = raw
    if isinstance(raw, Mapping):
        pair = {key: raw[key] for key in ("value", "unit") if key in raw}
    told = parse_quantity(pair, field=field, dimension=("fraction", "mass-concentration"))
    if told.dimension == "fraction":
        ppm = float(told.to("[ppm]"))
    else:
        ppm = ppm_of_mg_m3(float(told.to("mg/m3")), molar_mass_g, celsius, pressure)
    if ppm > PPM_MOST:
        raise InputError(field, "out-of-range", "That is more than the air can be.", "Check the unit.")
    return ppm


def _level(room: float, near: float, molar_mass_g: float, celsius: float, pressure: float) -> dict[str, str]:
    by_mass = [mg_m3_of_ppm(ppm, molar_mass_g, celsius, pressure) for ppm in (room, near)]
    return {
        "room_ppm": number_out(room, 4),
        "near_ppm": number_out(near, 4),
        "room_mg_m3": number_out(by_mass[0], 4),
        "near_mg_m3": number_out(by_mass[1], 4),
    }


def check_out(found: VapourCheck, of: Properties, pressure: float = ATMOSPHERE_KPA) -> dict[str, Any]:
    """The check as `VapourCheckShape` tells."""
    air = found.exposure

    def level(room: float, near: float) -> dict[str, str]:
        return _level(room, near, found.molar_mass_g, found.temperature_c, pressure)

    explosive = found.explosive
    return {
        "solvent": of.name,
        "lost": measured_out(found.lost_ml, "mL"),
        "over_h": number_out(found.over_h),
        "vapour_l": number_out(found.vapour_l),
        "room": {
            "volume_m3": number_out(found.room.volume_m3),
            "air_changes_per_h": number_out(found.room.air_changes_per_h),
            "mixing": number_out(found.room.mixing),
        },
        "peak": level(air.peak_ppm, air.near_peak_ppm),
        "mean_8h": level(air.mean_8h_ppm, air.near_mean_8h_ppm),
        "mean_15min": level(air.mean_15min_ppm, air.near_mean_15min_ppm),
        "saturated_ppm": number_out(air.saturated_ppm),
        "saturated": air.saturated,
        "explosive": explosive
        and {
            "lel_percent": number_out(explosive.lel_ppm / PPM_PER_PERCENT),
            "share": number_out(explosive.share),
            "near_share": number_out(explosive.near_share),
            "alarm": explosive.alarm,
            "source": explosive.source,
        },
        "limits": [
            {
                "body": share.limit.body,
                "kind": share.limit.kind,
                "ppm": number_out(share.limit.ppm),
                "share": number_out(share.share),
                "near_share": number_out(share.near_share),
                "words": share.limit.words,
                "source": share.limit.source,
            }
            for share in found.shares
        ],
        "limits_in_words": list(found.limits_in_words),
        "needed_air_m3_h": None if found.needed_air_m3_h is None else number_out(found.needed_air_m3_h),
        "over": found.over,
    }
