"""Flammability classes from flash and boiling point, with the exact published edges.

GHS/OSHA categories: 29 CFR 1910.106(a)(19). NFPA 30 classes: NFPA 30 (2003) 1.7.3. All in °C.
What is not known counts as the worst: no flash point is category 1, no boiling point is a low one.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

GhsCategory = Literal[1, 2, 3, 4]
Nfpa30Class = Literal["IA", "IB", "IC", "II", "IIIA", "IIIB"]

_LOWEST = Decimal("-273.15")


def ghs_category(
    flash_point_c: Decimal | None, boiling_point_c: Decimal | None, *, has_flash_point: bool = True
) -> GhsCategory | None:
    """GHS flammable liquid category 1 to 4; None above 93 °C or when there is no flash point to find.

    A liquid that has a flash point nobody recorded (None with has_flash_point) is category 1.
    """
    if not has_flash_point:
        return None
    flash = _LOWEST if flash_point_c is None else flash_point_c
    boiling = _LOWEST if boiling_point_c is None or flash_point_c is None else boiling_point_c
    if flash < 23:
        return 1 if boiling <= 35 else 2
    if flash <= 60:
        return 3
    return 4 if flash <= 93 else None


def nfpa30_class(
    flash_point_c: Decimal | None, boiling_point_c: Decimal | None, *, has_flash_point: bool = True
) -> Nfpa30Class | None:
    """NFPA 30 class IA to IIIB; None when there is no flash point to find; IA when it is not recorded."""
    if not has_flash_point:
        return None
    flash = _LOWEST if flash_point_c is None else flash_point_c
    boiling = _LOWEST if boiling_point_c is None or flash_point_c is None else boiling_point_c
    if flash < Decimal("22.8"):
        return "IA" if boiling < Decimal("37.8") else "IB"
    if flash < Decimal("37.8"):
        return "IC"
    if flash < 60:
        return "II"
    return "IIIA" if flash < 93 else "IIIB"
