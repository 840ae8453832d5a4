"""What somebody tells of an inhibitor that was added, as services take it."""

from __future__ import annotations

from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import parse_quantity


def inhibitor_told(*, inhibitor: str, mass: Any, target: Any = None) -> dict[str, Any]:
    """inhibitor, mass_ug and target_ppm of what was weighed in. mass, target: text or {"value", "unit"}.

    Raises InputError naming mass or target.
    """
    if mass is None:
        raise InputError(
            "mass", "missing", Phrase("It is not said how much was added."), Phrase('Send it as "178 mg".')
        )
    read = parse_quantity(_pair(mass, "mass"), field="mass", dimension="mass", allow_zero=False)
    found: dict[str, Any] = {"inhibitor": inhibitor, "mass_ug": int(read.to("mg") * 1000)}
    if target is not None:
        raw = _pair(target, "target")
        wanted = parse_quantity(raw, field="target", dimension="fraction", allow_zero=False)
        found["target_ppm"] = wanted.to("[ppm]")
    return found


def _pair(raw: Any, field: str) -> Any:
    """An amount without an uncertainty: none is kept of what was weighed in."""
    if not isinstance(raw, str) and {"instrument", "uncertainty"} & set(raw):
        raise InputError(
            field, "unknown-key", Phrase("Only value and unit are taken here."), Phrase("Leave the rest out.")
        )
    return raw
