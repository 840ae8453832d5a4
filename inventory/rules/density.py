"""Density of a liquid over temperature.

The line ρ(T) = ρ20·[1 − β·(T − 20) − s·(T − 20)²], with s used for water alone, was chosen against CoolProp 8
over 0 to 35 °C: worst 0.08 % for every organic solvent it carries but one (THF 0.19 %, whose density at 20 °C
is itself in dispute), 0.06 % for water. The exponential and the reciprocal form are worse for nearly all.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from inventory.rules.instruments import ROOT_3

REFERENCE_C = Decimal(20)

#: used where no expansion is known; the half width covers 0.8e-3 to 1.6e-3 per K, common practice, no source
CAUTIOUS_EXPANSION_PER_K = Decimal("0.0012")
CAUTIOUS_U_EXPANSION_PER_K = Decimal("0.0004") / ROOT_3
#: used where the expansion is known but not how well: 5 % of it, common practice, no source
_EXPANSION_SHARE = Decimal("0.05") / ROOT_3


@dataclass(frozen=True, slots=True)
class Liquid:
    """What a volume needs to know of a liquid.

    density_20c_kg_m3, u_density_20c_kg_m3: density at 20 °C and its standard uncertainty.
    expansion_20c_per_k: volume expansion, None when unknown; u_expansion_per_k: its standard uncertainty.
    expansion_slope_per_k2: second-order term, water only.
    """

    density_20c_kg_m3: Decimal
    u_density_20c_kg_m3: Decimal
    expansion_20c_per_k: Decimal | None
    u_expansion_per_k: Decimal | None = None
    expansion_slope_per_k2: Decimal = Decimal(0)

    @property
    def expansion_known(self) -> bool:
        """Whether the expansion comes from data, not from the cautious default."""
        return self.expansion_20c_per_k is not None

    @property
    def expansion(self) -> tuple[Decimal, Decimal]:
        """(expansion, its standard uncertainty) per K, the cautious pair when unknown."""
        if self.expansion_20c_per_k is None:
            return CAUTIOUS_EXPANSION_PER_K, CAUTIOUS_U_EXPANSION_PER_K
        if self.u_expansion_per_k is None:
            return self.expansion_20c_per_k, abs(self.expansion_20c_per_k) * _EXPANSION_SHARE
        return self.expansion_20c_per_k, self.u_expansion_per_k


def density_kg_m3(liquid: Liquid, temperature_c: Decimal) -> Decimal:
    """Density in kg/m3 at a temperature in °C; meant for 0 to 35 °C."""
    rise = temperature_c - REFERENCE_C
    shrink = liquid.expansion[0] * rise + liquid.expansion_slope_per_k2 * rise * rise
    return liquid.density_20c_kg_m3 * (1 - shrink)


def u_density_kg_m3(liquid: Liquid, temperature_c: Decimal) -> Decimal:
    """Standard uncertainty of `density_kg_m3`: that of ρ20 and that of the expansion, in quadrature."""
    drift = liquid.density_20c_kg_m3 * (temperature_c - REFERENCE_C) * liquid.expansion[1]
    return (liquid.u_density_20c_kg_m3**2 + drift**2).sqrt()
