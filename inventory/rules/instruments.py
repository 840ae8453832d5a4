"""What a measuring instrument is good for: tolerances as data, standard uncertainty by the GUM.

Rectangular ±a gives a/√3, triangular ±a gives a/√6 (JCGM 100:2008 4.3.7 and 4.3.9); a digital step d gives
d/√12 for each reading (GUM F.2.2.1). Tolerances are for class A, B is twice A. Where two standards differ
the wider figure is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal
from typing import Literal

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

Kind = Literal["glass", "balance", "estimate"]
Shape = Literal["rectangular", "triangular"]

ROOT_3 = Decimal(3).sqrt()
ROOT_6 = Decimal(6).sqrt()
ROOT_12 = Decimal(12).sqrt()
NOT_STATED = "not-stated"

_E1272 = "ASTM E1272-02(2012) Table 1"
_ISO_4788 = "ISO 4788 (from memory)"
_BOTH = "wider of ASTM E1272-02(2012) Table 1 and ISO 4788 (from memory)"
_ISO_1042 = "ISO 1042 (from memory)"
_ISO_385 = "ISO 385 (from memory)"
_ISO_648 = "ISO 648 (from memory)"
_USP_31 = "USP <31>"
_STEP = "GUM F.2.2.1, digital step (from memory)"
_LABEL = "Directive 76/211/EEC Annex I, tolerable errors from 50 mL up (from memory)"
_TRADE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Instrument:
    """One kind of instrument.

    key: short name; kind: glass measures volume, balance mass, estimate either.
    capacity_ml: greatest reading of glassware, None otherwise.
    tolerance: mL for glass, g for a balance (its digital step), share of the reading for an estimate.
    floor: smallest half width of an estimate, mL or g. mass_share: the share for a mass, None when an
    estimate says nothing about mass. source: where the tolerance is from.
    """

    key: str
    kind: Kind
    tolerance: Decimal
    source: str
    capacity_ml: Decimal | None = None
    shape: Shape = "rectangular"
    floor: Decimal = Decimal(0)
    mass_share: Decimal | None = None


def _glass(
    name: str, shape: Shape, rows: tuple[tuple[str, str, str], ...], *, class_b: bool = True
) -> list[Instrument]:
    """Class A rows of (capacity mL, tolerance mL, source), and class B at twice the tolerance."""
    made = []
    for capacity, tolerance, source in rows:
        for grade, factor in (("a", 1), ("b", 2)) if class_b else (("", 1),):
            key = f"{name}-{grade}-{capacity}" if grade else f"{name}-{capacity}"
            made.append(
                Instrument(key, "glass", factor * Decimal(tolerance), source, Decimal(capacity), shape)
            )
    return made


_CYLINDERS = (
    ("5", "0.05", _E1272),
    ("10", "0.1", _BOTH),
    ("25", "0.25", _BOTH),
    ("50", "0.5", _BOTH),
    ("100", "0.5", _BOTH),
    ("250", "1", _BOTH),
    ("500", "2.5", _BOTH),
    ("1000", "5", _BOTH),
    ("2000", "10", _ISO_4788),
)
_FLASKS = tuple(
    (capacity, tolerance, _ISO_1042)
    for capacity, tolerance in (
        ("10", "0.025"),
        ("25", "0.04"),
        ("50", "0.06"),
        ("100", "0.10"),
        ("250", "0.15"),
        ("500", "0.25"),
        ("1000", "0.40"),
    )
)
_BURETTES = (("10", "0.02", _ISO_385), ("25", "0.03", _ISO_385), ("50", "0.05", _ISO_385))
_PIPETTES = (
    ("1", "0.008", _ISO_648),
    ("5", "0.015", _ISO_648),
    ("10", "0.02", _ISO_648),
    ("25", "0.03", _ISO_648),
    ("50", "0.05", _ISO_648),
)
_GRADUATED = (("2", "0.010", _USP_31), ("5", "0.020", _USP_31), ("10", "0.030", _USP_31))
_STEPS = ("5", "2", "1", "0.5", "0.1", "0.01", "0.001")

INSTRUMENTS: dict[str, Instrument] = {
    item.key: item
    for item in (
        *_glass("cylinder", "rectangular", _CYLINDERS),
        *_glass("flask", "triangular", _FLASKS),
        *_glass("burette", "triangular", _BURETTES),
        *_glass("pipette", "triangular", _PIPETTES),
        *_glass("graduated-pipette", "rectangular", _GRADUATED, class_b=False),
        *(Instrument(f"balance-{step}g", "balance", Decimal(step), _STEP) for step in _STEPS),
        Instrument("bottle-mark", "estimate", Decimal("0.05"), _TRADE, floor=Decimal(2)),
        Instrument(
            "supplier-label",
            "estimate",
            Decimal("0.03"),
            _LABEL,
            floor=Decimal(9),
            mass_share=Decimal("0.03"),
        ),
        Instrument(
            NOT_STATED, "estimate", Decimal("0.10"), _TRADE, floor=Decimal(5), mass_share=Decimal("0.02")
        ),
    )
}


def find_instrument(key: str | None, *, field: str) -> Instrument:
    """The instrument of a key; None means not stated. Raises InputError (code unknown-instrument)."""
    try:
        return INSTRUMENTS[key or NOT_STATED]
    except KeyError:
        raise InputError(
            field,
            "unknown-instrument",
            Phrase("'{key}' is not a known instrument.", key=str(key)[:40]),
            Phrase("Use one of: {known}.", known=", ".join(INSTRUMENTS)),
        ) from None


def standard_uncertainty(
    instrument: Instrument,
    reading: Decimal,
    *,
    measures: Literal["volume", "mass"],
    capacity_ml: Decimal | None = None,
    field: str,
) -> Decimal:
    """Standard uncertainty of one reading, in mL for a volume or g for a mass, same as `reading`.

    Glassware filled more than once errs the same way each time, so its tolerance counts once per filling.
    An estimate counts its share of the reading or of `capacity_ml`, whichever is larger.
    Raises InputError (code instrument-mismatch) for a volume from a balance or a mass from glassware.
    """
    share = instrument.mass_share if measures == "mass" else instrument.tolerance
    if instrument.kind == "estimate" and share is not None:
        base = max(reading, capacity_ml or Decimal(0)) if measures == "volume" else reading
        return max(share * base, instrument.floor) / ROOT_3
    if (instrument.kind == "balance") != (measures == "mass"):
        raise InputError(
            field,
            "instrument-mismatch",
            Phrase("{key} does not measure {measures}.", key=instrument.key, measures=measures),
            Phrase("Name a balance for a mass, glassware or bottle-mark for a volume."),
        )
    if instrument.kind == "balance":
        return instrument.tolerance / ROOT_12
    root = ROOT_6 if instrument.shape == "triangular" else ROOT_3
    return instrument.tolerance * _fillings(reading, instrument.capacity_ml) / root


def _fillings(reading_ml: Decimal, capacity_ml: Decimal | None) -> Decimal:
    if not capacity_ml:
        return Decimal(1)
    return max(Decimal(1), (reading_ml / capacity_ml).to_integral_value(rounding=ROUND_CEILING))


@dataclass(frozen=True, slots=True)
class Split:
    """Standard uncertainty of one amount in two parts, in the unit of the amount.

    calibration: what one and the same piece gets wrong the same way each time. reading: what each reading
    gets wrong anew.
    """

    calibration: Decimal
    reading: Decimal


def split_uncertainty(
    instrument: Instrument, amount: Decimal, *, measures: Literal["volume", "mass"], readings: int = 1
) -> Split:
    """What `standard_uncertainty` says of an instrument, parted for sums and differences of several amounts.

    Glass: the tolerance is calibration and counts once per filling; the eye is a part of its own, independent
    for each filling: half a division of graduated glass, which is the class A tolerance (ISO 4788 and 385,
    from memory), rectangular, and a fifth of the class A tolerance at a mark (EURACHEM/CITAC CG 4, A1: 0.02
    beside 0.10 mL). Balance: its step for each of `readings` (1 or 2, gross and tare); calibration one step
    either way (OIML R 76 in service, small loads, from memory). An estimate is reading alone: nobody knows
    that the next one errs the same way.
    Raises InputError (code instrument-mismatch) as `standard_uncertainty` does.
    """
    u = standard_uncertainty(instrument, amount, measures=measures, field="instrument")
    if instrument.kind == "estimate":
        return Split(Decimal(0), u * Decimal(readings).sqrt())
    if instrument.kind == "balance":
        return Split(instrument.tolerance / ROOT_3, u * Decimal(readings).sqrt())
    class_a = instrument.tolerance / (2 if "-b-" in instrument.key else 1)
    at_the_mark = instrument.key.startswith(("flask-", "pipette-"))
    eye = class_a / 5 if at_the_mark else class_a / ROOT_3
    return Split(u, eye * _fillings(amount, instrument.capacity_ml).sqrt())
