"""How much inhibitor to add for a wanted content, and what an amount added comes to.

A content in ppm is mass ppm, mg of inhibitor in 1 kg of solvent; the inhibitor's own mass and volume are left
out, which at 1000 ppm is one part in a thousand. Nothing that distils over brings inhibitor along, so what is
not known to be in there counts as none.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

ZERO = Decimal(0)
UL_PER_ML, UG_PER_MG = 1000, 1000
MOST_PPM = Decimal(10_000)
PPM_STEP = Decimal("0.001")
CURES_NOTHING = Phrase(
    "Inhibitor slows new peroxides down and takes none away: added to a solvent that has peroxides it cures "
    "nothing. Test first; what does not pass is for licensed disposal, not for inhibitor."
)
COUNTS_AFTER_A_TEST = Phrase(
    "It counts as inhibited again from a test that passes on the day of the top-up or later."
)
FORMULA = "mass = volume * density * (wanted ppm - present ppm)"
SOURCE = "mass ppm is mg/kg: definition; inhibitor stays in the still: common practice, no source"


def dose_ug(
    *, volume_ul: int, density_kg_m3: Decimal, wanted_ppm: Decimal, present_ppm: Decimal = ZERO
) -> int:
    """Whole µg of inhibitor to weigh in, rounded up; 0 when there is enough. Raises InputError."""
    if not ZERO < wanted_ppm <= MOST_PPM:
        raise InputError(
            "wanted",
            "out-of-range",
            Phrase("A content above zero and up to {most_ppm} ppm is taken here.", most_ppm=MOST_PPM),
            Phrase("BHT is usual at 50 to 300 ppm: common practice, no source."),
        )
    missing = max(wanted_ppm - present_ppm, ZERO)
    # µL * kg/m3 is mg * 1e-3 of solvent; a ppm of it is ng: kept in whole µg.
    return int((_solvent_kg(volume_ul, density_kg_m3) * missing * UG_PER_MG).to_integral_value(ROUND_CEILING))


def reached_ppm(
    *, mass_ug: int, volume_ul: int, density_kg_m3: Decimal, present_ppm: Decimal = ZERO
) -> Decimal:
    """The content that an amount comes to, rounded down to 0.001 ppm."""
    if mass_ug <= 0 or volume_ul <= 0:
        raise InputError(
            "mass",
            "not-positive",
            Phrase("An amount above zero is wanted."),
            Phrase("Say how much was added."),
        )
    added = Decimal(mass_ug) / UG_PER_MG / _solvent_kg(volume_ul, density_kg_m3)
    return (present_ppm + added).quantize(PPM_STEP, ROUND_FLOOR)


def _solvent_kg(volume_ul: int, density_kg_m3: Decimal) -> Decimal:
    return Decimal(volume_ul) * density_kg_m3 / 10**9
