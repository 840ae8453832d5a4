"""A fact of a run as it was told: read by its field, kept as entered and as a number with its uncertainty.

Where nobody says how well it is known: a volume or a mass is that of the instrument named, or a rough
estimate; a thermometer at the bench is good to ±0.5 °C (common practice, no source); everything else is as
good as the last digit told, d/√12 (GUM F.2.2.1, digital step), so that "2 h" is worth less than "120 min".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.instruments import ROOT_3, ROOT_12, find_instrument, standard_uncertainty
from inventory.rules.number_text import split_number
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity, parse_quantity
from inventory.rules.units import affine
from recovery.rules.run_kinds import DIMENSIONS, FieldData
from recovery.rules.shipped_words import shipped

TEXT_MAX = 500
STEP = Decimal("0.000001")  # as numbers are kept
LARGEST = Decimal(10) ** 11
U_THERMOMETER_K = Decimal("0.5") / ROOT_3
_KEYS = {"value", "unit", "uncertainty", "instrument"}
_MEASURED = ("volume", "mass")
LESS = Phrase("“{text}” is less than {name} takes.")
MORE = Phrase("“{text}” is more than {name} takes.")
ANY = Phrase("what a person would write")


@dataclass(frozen=True, slots=True)
class FactRead:
    """as_entered: plain JSON. number, u_number: in the unit of the field; None where it is no number."""

    as_entered: dict[str, Any]
    number: Decimal | None = None
    u_number: Decimal | None = None


def read_fact(data: FieldData, raw: Any, *, field: str) -> FactRead:
    """Read what was told of a field.

    raw: text as "150 mL", or {"value", "unit", "uncertainty", "instrument"} for a quantity; a whole number
    for a count; true or false; a key of the choices; words. uncertainty: standard (k = 1), in the unit of
    the value. Raises InputError naming `field`, with the bounds of the field in its remedy.
    """
    if data.quantity == "yes-no":
        return _yes_no(raw, field)
    if data.quantity == "choice":
        return _choice(data, raw, field)
    if data.quantity == "text":
        return _text(raw, field)
    if data.quantity == "count":
        return _count(data, raw, field)
    return _quantity(data, raw, field)


def _yes_no(raw: Any, field: str) -> FactRead:
    if not isinstance(raw, bool):
        raise InputError(field, "wrong-type", Phrase("This is a yes or no."), Phrase("Send true or false."))
    return FactRead({"value": raw, "text": "yes" if raw else "no"}, Decimal(int(raw)))


def _choice(data: FieldData, raw: Any, field: str) -> FactRead:
    names = dict(data.choices)
    if not isinstance(raw, str) or raw not in names:
        said = str(raw)[:40]
        raise InputError(
            field,
            "unknown-choice",
            Phrase("“{said}” is no choice of {name}.", said=said, name=shipped(data.name)),
            Phrase("Use {known}.", known=", ".join(names)),
        )
    return FactRead({"value": raw, "text": names[raw]})


def _text(raw: Any, field: str) -> FactRead:
    if not isinstance(raw, str) or not raw.strip() or len(raw) > TEXT_MAX or "\x00" in raw:
        raise InputError(
            field,
            "wrong-type",
            Phrase("This is told in words."),
            Phrase("Send 1 to {text_max} characters of text.", text_max=TEXT_MAX),
        )
    return FactRead({"value": raw.strip(), "text": raw.strip()})


def _count(data: FieldData, raw: Any, field: str) -> FactRead:
    value = raw.get("value") if isinstance(raw, Mapping) and set(raw) <= {"value"} else raw
    if isinstance(value, bool) or not isinstance(value, str | int | Decimal):
        raise InputError(
            field, "wrong-type", Phrase("This is a count."), Phrase("Send a whole number, as 3.")
        )
    number, rest = split_number(str(value)[:40], field=field)
    if rest or number != number.to_integral_value():
        raise InputError(
            field,
            "not-whole",
            Phrase("“{value}” is not a whole number.", value=value),
            Phrase("Send a whole number, as 3."),
        )
    _check_bounds(data, number, str(value), field)
    return FactRead({"value": format(number, "f"), "text": str(value).strip()}, number, Decimal(0))


def _quantity(data: FieldData, raw: Any, field: str) -> FactRead:
    parts, more = _parts(data, raw, field)
    said = parse_quantity(
        parts, field=field, dimension=DIMENSIONS[data.quantity], default_unit=_default(data)
    )
    number = said.to(data.unit).quantize(STEP, ROUND_HALF_EVEN)
    _check_bounds(data, number, said.text, field)
    u_number, how = _spread(data, said, more, field)
    kept = {**said.as_dict(), "text": said.text, **more, **how}
    return FactRead(kept, number, u_number)


def _default(data: FieldData) -> str | None:
    """A bare temperature is in °C, as everywhere; other quantities name their unit."""
    return "Cel" if data.quantity == "temperature" else None


def _parts(data: FieldData, raw: Any, field: str) -> tuple[Any, dict[str, Any]]:
    """(value and unit, what was said beside them)."""
    if not isinstance(raw, Mapping):
        return raw, {}
    allowed = _KEYS if data.quantity in _MEASURED else _KEYS - {"instrument"}
    if unknown := sorted(map(str, set(raw) - allowed)):
        raise InputError(
            field,
            "unknown-key",
            Phrase("Not known here: {part}.", part=", ".join(unknown)[:80]),
            Phrase("Use {known}.", known=", ".join(sorted(allowed))),
        )
    more = {name: raw[name] for name in ("uncertainty", "instrument") if raw.get(name) not in (None, "")}
    return {name: raw[name] for name in ("value", "unit") if name in raw}, more


def _check_bounds(data: FieldData, number: Decimal, text: str, field: str) -> None:
    below = data.lowest is not None and number < data.lowest
    above = data.highest is not None and number > data.highest
    if below or above or abs(number) > LARGEST:
        raise InputError(
            field,
            "out-of-range",
            Phrase(LESS if below else MORE, text=text, name=shipped(data.name)),
            Phrase("It takes {bounds}: check number and unit.", bounds=data.bounds or ANY),
        )


def _spread(
    data: FieldData, said: Quantity, more: dict[str, Any], field: str
) -> tuple[Decimal, dict[str, str]]:
    """(standard uncertainty in the unit of the field, what it was taken from)."""
    if "uncertainty" in more:
        given, rest = split_number(str(more["uncertainty"])[:40], field=f"{field}.uncertainty")
        if rest or given < 0:
            raise InputError(
                f"{field}.uncertainty",
                "not-a-number",
                Phrase("An uncertainty is a number of zero or more, in the unit of the value."),
                Phrase("Send for example “0.5”."),
            )
        more["uncertainty"] = format(given, "f")
        return _scaled(given, said.unit, data.unit), {"u_from": "as told"}
    if data.quantity in _MEASURED:
        return _by_instrument(data, said, more, field)
    step = Decimal(1).scaleb(int(said.value.as_tuple().exponent)) / ROOT_12
    u = _scaled(step, said.unit, data.unit)
    if data.quantity == "temperature":
        return max(u, _scaled(U_THERMOMETER_K, "K", "K")), {"u_from": "thermometer at the bench, ±0.5 K"}
    return u, {"u_from": "last digit told"}


def _by_instrument(
    data: FieldData, said: Quantity, more: dict[str, Any], field: str
) -> tuple[Decimal, dict[str, str]]:
    name = more.get("instrument")
    if name is not None and not isinstance(name, str):
        raise InputError(
            f"{field}.instrument",
            "wrong-type",
            Phrase("An instrument is text."),
            Phrase("See the instruments."),
        )
    instrument = find_instrument(name, field=f"{field}.instrument")
    unit, measures = ("mL", "volume") if data.quantity == "volume" else ("g", "mass")
    u = standard_uncertainty(
        instrument,
        said.to(unit),
        measures=measures,  # type: ignore[arg-type]  # one of the two
        field=f"{field}.instrument",
    )
    return _scaled(u, unit, data.unit), {"u_from": instrument.key}


def _scaled(u: Decimal, source: str, target: str) -> Decimal:
    """A difference in one unit as one in another, rounded up."""
    if source != target:
        slope = abs(affine(source, target)[0])
        u = u * slope.numerator / slope.denominator
    return u.quantize(STEP, ROUND_CEILING)
