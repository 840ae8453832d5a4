"""A titration as entered: quantities as text or objects, each with its own or its instrument's uncertainty.

What is not said takes the widest that is usual: a 50 mL burette and a 100 mL cylinder of class B, a balance
to 0.1 g, a solution that nobody standardised. All of these are our choice, not published.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.instruments import INSTRUMENTS, ROOT_3, Instrument, find_instrument, standard_uncertainty
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity, parse_quantity
from inventory.rules.titration import (
    FORMULA,
    NAMES,
    SOURCES,
    Measure,
    Result,
    Titration,
    method_of,
    plain,
    rounded,
    titrate,
)

BURETTE, CYLINDER, BALANCE = (INSTRUMENTS[key] for key in ("burette-b-50", "cylinder-b-100", "balance-0.1g"))
READINGS_OF_A_NET_MASS = Decimal(2)  # gross and tare, GUM F.2.2.1 for each
U_SHARE_CONCENTRATION = Decimal("0.05") / ROOT_3
U_SHARE_DENSITY = Decimal("0.005") / ROOT_3
# Lowest and highest that is taken for no slip of the pen, in the unit of the calculation.
BOUNDS: Mapping[str, tuple[str, str]] = {
    "titre": ("0", "1000"),
    "blank": ("0", "1000"),
    "sample": ("0.01", "10000"),
    "concentration": ("0.00001", "10"),
    "density": ("0.5", "3"),
    "drop": ("0.001", "0.5"),
}
_KEYS = {"value", "unit", "instrument", "uncertainty"}
Raw = str | Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Entered:
    """What was worked out, from what, as JSON."""

    titration: Titration
    result: Result
    method: str
    working: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Solution:
    """A recorded thiosulfate solution. u None: nobody wrote it down."""

    mol_per_l: Decimal
    u_mol_per_l: Decimal | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class _Read:
    quantity: Quantity
    instrument: str | None
    uncertainty: Decimal | None


def read_titration(
    raw: Mapping[str, Raw],
    *,
    field: str = "",
    solution: Solution | None = None,
    density_kg_per_l: Measure | None = None,
) -> Entered:
    """Read {"titre", "blank", "sample", "concentration", "density", "drop"} and work it out.

    solution, density_kg_per_l: taken where the entry says nothing of them. Raises InputError with the codes
    of `parse_quantity`, `find_instrument` and `titrate`, and missing, unknown-key.
    """
    if not isinstance(raw, Mapping):
        raise InputError(
            field, "wrong-type", Phrase("A titration is an object."), Phrase("Send titre, blank and sample.")
        )
    if unknown := sorted(set(raw) - set(BOUNDS)):
        raise InputError(
            field,
            "unknown-key",
            Phrase("Not known here: {known}.", known=", ".join(unknown)[:80]),
            Phrase("See the schema."),
        )
    titre, blank, sample = (_needed(raw, name, field) for name in ("titre", "blank", "sample"))
    by_mass = sample.quantity.dimension == "mass"
    measured = _sample(sample, _path(field, "sample"))
    concentration = _concentration(raw, field, solution)
    density = _density(raw, field) or density_kg_per_l
    of = Titration(
        titre_ml=_volume(titre, BURETTE, "titre", field),
        blank_ml=_volume(blank, BURETTE, "blank", field),
        concentration_mol_per_l=concentration,
        sample_ml=None if by_mass else measured,
        sample_g=measured if by_mass else None,
        density_kg_per_l=density,
        **_drop(raw, field),
    )
    try:
        result = titrate(of)
    except InputError as error:
        raise InputError(_path(field, error.field), error.code, error.detail, error.remedy) from error
    return Entered(of, result, method_of(of), _working(raw, of, result))


def _path(field: str, name: str) -> str:
    return f"{field}.{name}" if field else name


def _needed(raw: Mapping[str, Raw], name: str, field: str) -> _Read:
    read = _read(raw, name, field)
    if read is None:
        raise InputError(
            _path(field, name),
            "missing",
            Phrase("The {name} is not given.", name=NAMES[name]),
            Phrase("Give it with its unit."),
        )
    return read


def _read(raw: Mapping[str, Raw], name: str, field: str) -> _Read | None:
    given, path = raw.get(name), _path(field, name)
    if given is None:
        return None
    dimension: Any = {
        "sample": ("volume", "mass"),
        "concentration": "amount-concentration",
        "density": "density",
    }.get(name, "volume")
    if not isinstance(given, Mapping):
        return _Read(parse_quantity(given, field=path, dimension=dimension), None, None)
    if unknown := sorted(map(str, set(given) - _KEYS)):
        words = Phrase("Not known here: {known}.", known=", ".join(unknown)[:80])
        raise InputError(path, "unknown-key", words, Phrase("Use {known}.", known=", ".join(sorted(_KEYS))))
    pair = {key: given[key] for key in ("value", "unit") if key in given}
    quantity = parse_quantity(pair, field=path, dimension=dimension)
    instrument, spread = given.get("instrument"), given.get("uncertainty")
    if instrument is not None and not isinstance(instrument, str):
        raise InputError(
            f"{path}.instrument", "wrong-type", Phrase("An instrument is text."), Phrase("Name one.")
        )
    key = None if instrument is None else find_instrument(instrument, field=f"{path}.instrument").key
    return _Read(quantity, key, None if spread is None else _spread(spread, quantity, path))


def _spread(raw: Any, quantity: Quantity, path: str) -> Decimal:
    """A standard uncertainty, in the unit of its value."""
    if isinstance(raw, Mapping):
        raise InputError(
            f"{path}.uncertainty",
            "wrong-type",
            Phrase("A number is wanted."),
            Phrase("It has the value's unit."),
        )
    pair = {"value": raw, "unit": quantity.unit}
    where = f"{path}.uncertainty"
    return parse_quantity(pair, field=where, dimension=quantity.dimension, allow_zero=False).value


def _in(read: _Read, unit: str, name: str, field: str) -> tuple[Decimal, Decimal | None]:
    """Value and uncertainty in another unit, within what is taken for no slip."""
    value = read.quantity.to(unit)
    low, high = BOUNDS[name]
    if not Decimal(low) <= value <= Decimal(high):
        words = Phrase("{low} to {high} {unit} is taken here.", low=low, high=high, unit=unit)
        raise InputError(_path(field, name), "out-of-range", words, Phrase("Check number and unit."))
    if read.uncertainty is None:
        return value, None
    own = Quantity(read.uncertainty, read.quantity.unit, read.quantity.dimension, "")
    return value, own.to(unit)


def _volume(read: _Read, usual: Instrument, name: str, field: str) -> Measure:
    value, u = _in(read, "mL", name, field)
    if u is None:
        instrument = usual if read.instrument is None else INSTRUMENTS[read.instrument]
        path = f"{_path(field, name)}.instrument"
        u = standard_uncertainty(instrument, value, measures="volume", field=path)
    return Measure(value, u)


def _sample(read: _Read, path: str) -> Measure:
    field = path.removesuffix("sample").removesuffix(".")
    if read.quantity.dimension == "volume":
        return _volume(read, CYLINDER, "sample", field)
    value, u = _in(read, "g", "sample", field)
    if u is None:
        balance = BALANCE if read.instrument is None else INSTRUMENTS[read.instrument]
        one = standard_uncertainty(balance, value, measures="mass", field=f"{path}.instrument")
        u = one * READINGS_OF_A_NET_MASS.sqrt() if balance.kind == "balance" else one
    return Measure(value, u)


def _concentration(raw: Mapping[str, Raw], field: str, solution: Solution | None) -> Measure:
    if raw.get("concentration") is None and solution is not None:
        value, u = solution.mol_per_l, solution.u_mol_per_l
    else:
        value, u = _in(_needed(raw, "concentration", field), "mol/L", "concentration", field)
    return Measure(value, value * U_SHARE_CONCENTRATION if u is None else u)


def _density(raw: Mapping[str, Raw], field: str) -> Measure | None:
    read = _read(raw, "density", field)
    if read is None:
        return None
    value, u = _in(read, "g/mL", "density", field)
    return Measure(value, value * U_SHARE_DENSITY if u is None else u)


def _drop(raw: Mapping[str, Raw], field: str) -> dict[str, Decimal]:
    read = _read(raw, "drop", field)
    return {} if read is None else {"drop_ml": _in(read, "mL", "drop", field)[0]}


def _working(raw: Mapping[str, Raw], of: Titration, result: Result) -> dict[str, Any]:
    """Everything from which it can be worked out again by hand."""
    given = {name: value if isinstance(value, str) else _plain_map(value) for name, value in raw.items()}
    sample = plain(of.sample_ml, "mL") or plain(of.sample_g, "g")
    return {
        "given": given,
        "used": {
            "titre": plain(of.titre_ml, "mL"),
            "blank": plain(of.blank_ml, "mL"),
            "net": plain(result.net_ml, "mL"),
            "concentration": plain(of.concentration_mol_per_l, "mol/L"),
            "sample": sample,
            "density": plain(of.density_kg_per_l, "kg/L"),
            "drop": plain(Measure(of.drop_ml), "mL"),
        },
        **results_out(result),
        "formula": FORMULA,
        "sources": list(SOURCES),
    }


def results_out(result: Result) -> dict[str, Any]:
    """The results as text; None where a density is needed that is not known."""
    least = result.detection_mg_per_l
    return {
        "hydrogen_peroxide": plain(result.mg_per_l, "mg/L"),
        "mass_fraction": plain(result.mass_ppm, "mg/kg"),
        "active_oxygen": plain(result.active_oxygen_mg_per_kg, "mg/kg"),
        "least_mg_per_l": None if least is None else format(rounded(Measure(least))[0], "f"),
    }


def _plain_map(value: Mapping[str, Any]) -> dict[str, str]:
    return {str(key): str(inner) for key, inner in value.items()}


def read_concentration(raw: Raw) -> tuple[Decimal, Decimal | None]:
    """mol/L and its standard uncertainty, None where it is not said. Raises InputError (`concentration`)."""
    return _in(_needed({"concentration": raw}, "concentration", ""), "mol/L", "concentration", "")
