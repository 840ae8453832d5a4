"""Data for a solvent outside the shipped table, by CAS number, from the `chemicals` library.

Every value is marked with the library, its version and the data set. Nothing is known there about peroxides
or hazard codes, so the peroxide class is "unknown" (to be treated as the worst) and the solvent is not
confirmed until a person has checked it. The library is imported on first use: it brings SciPy with it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any, NamedTuple

from inventory.rules.catalogue import Fact, SolventData, load_catalogue
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

_CAS = re.compile(r"[0-9]{2,7}-[0-9]{2}-[0-9]")
_T20_K = 293.15
#: estimates from structure and data sets known to be far off are left out, or used only when alone
_NOT_MEASURED = {"JOBACK"}
_LAST_RESORT = ("Serat DIPPR (2017)",)
#: two values closer than this are not worth showing as a disagreement, see inventory/data/SOURCES.md
_CLOSE = {
    "flash-point": Decimal(3),
    "lel": Decimal("0.25"),
    "uel": Decimal("1.5"),
    "autoignition": Decimal(20),
}
_CLOSE_OTHERS = Decimal("0.5")
_HIGHEST_MELTING_POINT_C = 60


class _Density(NamedTuple):
    """Density in kg/m3 over temperature in K, and the name of the correlation."""

    at: Callable[[float], float]
    source: str


def check_cas(cas: str, *, field: str = "cas") -> str:
    """The CAS number without stray spaces. Raises InputError (codes cas-format, cas-check-digit)."""
    text = re.sub(r"[‐‑–−]", "-", cas.strip())[:40]
    if not _CAS.fullmatch(text):
        raise InputError(
            field,
            "cas-format",
            Phrase("'{text}' is not a CAS number.", text=text),
            Phrase("Write it as 67-64-1."),
        )
    digits = [int(c) for c in text.replace("-", "")]
    if sum(place * digit for place, digit in enumerate(reversed(digits[:-1]), 1)) % 10 != digits[-1]:
        raise InputError(
            field,
            "cas-check-digit",
            Phrase("'{text}' has a wrong check digit.", text=text),
            Phrase("Compare it with the label digit by digit."),
        )
    return text


def from_cas(cas: str, name: str | None = None, *, field: str = "cas") -> SolventData:
    """A solvent by CAS number with confirmed=False and peroxide_class "unknown"; key "cas-<number>".

    name: what the lab calls it; the library's own name when None or blank. Values it lacks are absent, and
    absent counts as the worst in the flammability classes.
    Raises InputError: cas-format, cas-check-digit, already-listed, cas-unknown,
    not-a-liquid.
    """
    cas = check_cas(cas, field=field)
    for listed in load_catalogue().values():
        if listed.cas == cas:
            raise InputError(
                field,
                "already-listed",
                Phrase("{cas} is {name}, which is listed.", cas=cas, name=listed.name),
                Phrase("Choose {key}.", key=listed.key),
            )
    import chemicals

    found = _identity(chemicals, cas, field)
    source = f"chemicals {chemicals.__version__}"
    facts = tuple(_facts(chemicals, cas, source))
    _check_liquid(facts, cas, field)
    return SolventData(
        key=f"cas-{cas}",
        name=(name or "").strip() or found.common_name,
        cas=cas,
        formula=found.formula,
        molar_mass_g_per_mol=_decimal(found.MW, 3),
        has_flash_point=True,
        peroxide_class="unknown",
        peroxide_basis="nothing is recorded about peroxides: treated as the worst until a person decides",
        h_codes=(),
        euh_codes=(),
        pictograms=(),
        signal_word="",
        hazard_basis="hazard codes not known: read the safety data sheet",
        un_number="",
        un_class="",
        facts=facts,
        notes=(f"from the library {source}, not confirmed by a person",),
        confirmed=False,
    )


def _identity(chemicals: Any, cas: str, field: str) -> Any:
    try:
        found = chemicals.search_chemical(cas)
    except ValueError:
        found = None
    if found is None or found.CASs != cas:
        raise InputError(
            field,
            "cas-unknown",
            Phrase("No data for {cas}.", cas=cas),
            Phrase("Check the number, or enter the values from the safety data sheet by hand."),
        )
    return found


def _check_liquid(facts: tuple[Fact, ...], cas: str, field: str) -> None:
    """Refuse what melts far above room temperature: it is no solvent at the bench."""
    for fact in facts:
        if fact.name == "melting-point" and Decimal(fact.value) > _HIGHEST_MELTING_POINT_C:
            raise InputError(
                field,
                "not-a-liquid",
                Phrase("{cas} melts at {value} °C.", cas=cas, value=fact.value),
                Phrase("Check the number on the label."),
            )


def _facts(chemicals: Any, cas: str, source: str) -> Iterator[Fact]:
    yield from _density_facts(chemicals, cas, source)
    for fact in (
        _pair("boiling-point", "Cel", chemicals.Tb, chemicals.Tb_methods, cas, source),
        _pair("melting-point", "Cel", chemicals.Tm, chemicals.Tm_methods, cas, source),
        _pair("flash-point", "Cel", chemicals.T_flash, chemicals.T_flash_methods, cas, source),
        _pair("lel", "%", chemicals.LFL, chemicals.LFL_methods, cas, source),
        _pair("uel", "%", chemicals.UFL, chemicals.UFL_methods, cas, source),
        _pair("autoignition", "Cel", chemicals.T_autoignition, chemicals.T_autoignition_methods, cas, source),
    ):
        if fact:
            yield fact


def _pair(
    name: str, unit: str, value: Callable[..., Any], methods: Callable[..., Any], cas: str, source: str
) -> Fact | None:
    """The fact from the first two data sets that hold it, K to °C or share to %, None when none does."""
    listed = [method for method in methods(CASRN=cas) if method not in _NOT_MEASURED]
    measured = [method for method in listed if method not in _LAST_RESORT] or listed
    readings: list[tuple[str, str]] = []
    for method in measured[:2]:
        number = value(CASRN=cas, method=method)
        if number is not None:
            shown = _decimal(number, 4) - Decimal("273.15") if unit == "Cel" else _decimal(number * 100, 2)
            readings.append((_plain(shown), f"{source}, {method}"))
    if not readings:
        return None
    second = readings[1] if len(readings) > 1 else ("", "")
    apart = abs(Decimal(second[0]) - Decimal(readings[0][0])) if second[0] else Decimal(0)
    differ = apart > _CLOSE.get(name, _CLOSE_OTHERS)
    return Fact(
        name,
        readings[0][0],
        unit,
        readings[0][1],
        *second,
        disagreement=f"{readings[0][0]} vs {second[0]}" if differ else "",
    )


def _density_facts(chemicals: Any, cas: str, source: str) -> Iterator[Fact]:
    """Density and expansion at 20 °C from the first correlation that holds there, beside the second."""
    found = list(_densities(chemicals, cas))[:2]
    if not found:
        return
    rhos = [_decimal(each.at(_T20_K), 1) for each in found]
    betas = [_decimal((each.at(_T20_K - 0.5) - each.at(_T20_K + 0.5)) / each.at(_T20_K), 6) for each in found]
    sources = [f"{source}, {each.source}" for each in found]
    for name, unit, values, share in (
        ("density-20c", "kg/m3", rhos, Decimal("0.003")),
        ("expansion-20c", "1/K", betas, Decimal("0.05")),
    ):
        half_width = max(abs(values[0] - values[-1]), values[0] * share)
        second = (_plain(values[1]), sources[1]) if len(values) > 1 else ("", "")
        yield Fact(name, _plain(values[0]), unit, sources[0], *second, half_width=half_width)


def _densities(chemicals: Any, cas: str) -> Iterator[_Density]:
    tables = chemicals.volume
    if cas in tables.rho_data_VDI_PPDS_2.index:
        row = tables.rho_data_VDI_PPDS_2.loc[cas]
        if float(row["Tc"]) > _T20_K:
            yield _Density(_vdi(row), "VDI/PPDS")
    if cas in tables.rho_data_Perry_8E_105_l.index:
        row = tables.rho_data_Perry_8E_105_l.loc[cas]
        if float(row["Tmin"]) <= _T20_K <= float(row["Tmax"]):
            yield _Density(_perry(row, chemicals.MW(cas), chemicals.dippr.EQ105), "Perry eq. 105")


def _vdi(row: Any) -> Callable[[float], float]:
    tc, rhoc, a, b, c, d = (float(row[name]) for name in ("Tc", "rhoc", "A", "B", "C", "D"))

    def at(kelvin: float) -> float:
        tau = 1 - kelvin / tc
        return float(rhoc + a * tau**0.35 + b * tau ** (2 / 3) + c * tau + d * tau ** (4 / 3))

    return at


def _perry(row: Any, molar_mass: float, equation: Callable[..., float]) -> Callable[[float], float]:
    constants = [float(row[name]) for name in ("C1", "C2", "C3", "C4")]
    return lambda kelvin: float(equation(kelvin, *constants)) * molar_mass / 1000


def _decimal(number: float, places: int) -> Decimal:
    return Decimal(repr(float(number))).quantize(Decimal(1).scaleb(-places))


def _plain(number: Decimal) -> str:
    return format(number.normalize(), "f")
