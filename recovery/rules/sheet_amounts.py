"""Amounts of a run log that cannot all be right: found, and said."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from inventory.rules.phrases import Phrase
from inventory.rules.sheets.planning import Amount
from inventory.rules.sheets.remarks import Finding


def weighed_up(
    findings: tuple[Finding, ...], out: Decimal, back: Decimal, heel: Decimal
) -> tuple[Finding, ...]:
    """Findings of the remark and of the amounts, each code once."""
    codes = {f.code for f in findings}
    if back > out and "more-back-than-out" not in codes:
        return (*findings, Finding("more-back-than-out", f"{back} of {out} mL"))
    if back <= out < back + heel:
        return (*findings, Finding("heel-does-not-fit", f"{back} + {heel} of {out} mL"))
    return findings


# What is said of each, from what went out and what came back.
TOLD: dict[str, Callable[[Amount, Amount | None], str]] = {
    "more-back-than-out": lambda out, back: Phrase(
        "More came back than went out: {back} of {out}.",
        back=back.quantity.text if back else Phrase("nothing"),
        out=out.quantity.text,
    ),
    "heel-does-not-fit": lambda out, back: Phrase(
        "What came back and what was left in the flask are more than the {out} taken.",
        out=out.quantity.text,
    ),
}
