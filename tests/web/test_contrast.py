"""Colours against WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for edges that carry meaning (1.4.11).

Formulas: WCAG 2.2, "relative luminance" and "contrast ratio"; its own figures: black on white is 21 to 1, and
#767676 on white is the lightest grey that passes 4.5 to 1.
"""

from __future__ import annotations

import re

import pytest

from tests.house.code import ROOT

STYLES = (ROOT / "inventory" / "static" / "inventory" / "stillkeep.css").read_text(encoding="utf-8")
TEXT = [
    ("ink", "paper"), ("ink", "card"), ("ink", "danger-card"), ("ink", "warn-card"), ("ink", "rail"),
    ("faint", "paper"), ("faint", "card"), ("faint", "danger-card"), ("faint", "warn-card"),
    ("link", "paper"), ("link", "card"), ("on-button", "button"),
    ("danger", "paper"), ("danger", "card"), ("danger", "danger-card"),
    ("warn", "warn-card"), ("soon", "card"),
]  # fmt: skip
EDGES = [("focus", "paper"), ("focus", "card"), ("faint", "card"), ("danger", "card"), ("warn", "warn-card")]
EDGES += [("soon", "card"), ("lost", "rail")]


def palettes() -> dict[str, dict[str, str]]:
    """The colours by name, light and dark."""
    light, dark = re.findall(r":root \{(.*?)\}", STYLES, re.DOTALL)[:2]
    return {
        name: dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
        for name, block in (("light", light), ("dark", dark))
    }


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_published_figures() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("pairs", "least"), [(TEXT, 4.5), (EDGES, 3)], ids=["text", "edges"])
def test_every_pair_can_be_told_apart(scheme: str, pairs: list[tuple[str, str]], least: float) -> None:
    colours = palettes()[scheme]
    weak = {pair: round(contrast(colours[pair[0]], colours[pair[1]]), 2) for pair in pairs}
    assert {pair: ratio for pair, ratio in weak.items() if ratio < least} == {}
