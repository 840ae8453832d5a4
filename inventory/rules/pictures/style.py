"""Colours, sizes and the choice of both.

Colours that mean something are those of Okabe and Ito, "Color Universal Design: how to make figures and
presentations that are friendly to colorblind people" (2008), which stay apart for the common kinds of colour
blindness. Shape, dash, hatch or words say the same once more, so that a grey print loses nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from inventory.rules.phrases import Say

__all__ = ["KINDS", "SCALE_MAX", "THEMES", "WIDTHS", "Kind", "Look", "Palette", "Size", "contrast"]

Theme = Literal["light", "dark"]
Width = Literal["small", "large"]
Kind = Literal["svg", "png", "pdf"]
THEMES: tuple[Theme, ...] = ("light", "dark")
WIDTHS: tuple[Width, ...] = ("small", "large")
KINDS: tuple[Kind, ...] = ("svg", "png", "pdf")
SCALE_MAX = 3

# Okabe and Ito 2008.
ORANGE, SKY, GREEN, YELLOW = "#e69f00", "#56b4e9", "#009e73", "#f0e442"
BLUE, VERMILION, PURPLE = "#0072b2", "#d55e00", "#cc79a7"


@dataclass(frozen=True)
class Palette:
    """paper: behind everything. ink, faint: text. grid: lines that only help to read. value: what was
    measured. alarm: limits and what is beyond. band: uncertainty. warm, cool, leaf, plum, sun: fills."""

    paper: str
    ink: str
    faint: str
    grid: str
    value: str
    alarm: str
    band: str
    warm: str = ORANGE
    cool: str = SKY
    leaf: str = GREEN
    plum: str = PURPLE
    sun: str = YELLOW


@dataclass(frozen=True)
class Size:
    """In CSS pixels. width: of the whole picture; text, title: heights of letters; margin: on each side."""

    width: int
    text: float
    title: float
    margin: int
    plot_height: int

    @property
    def line(self) -> float:
        """From one line of text to the next."""
        return round(self.text * 1.35, 1)


PALETTES: dict[Theme, Palette] = {
    "light": Palette("#fffdf8", "#1c2628", "#55605f", "#d5cfc0", BLUE, VERMILION, SKY),
    "dark": Palette("#1a2426", "#e9ebe4", "#a5b1af", "#3f5056", SKY, "#ff8a3d", BLUE),
}
# A phone of 390 px shows a picture of 360 px between its margins.
SIZES: dict[Width, Size] = {
    "small": Size(360, 12.0, 15.0, 12, 250),
    "large": Size(900, 13.0, 18.0, 20, 330),
}


@dataclass(frozen=True)
class Look:
    """How a picture is wanted. scale: pixels of a PNG for each CSS pixel, 1 to 3; nothing to the others.

    say: what says its words; English where nothing else is given. One function for one language, always.
    unit: of `shown_units.UNITS`, in which volumes are drawn; empty: what suits their size.
    """

    theme: Theme = "light"
    width: Width = "large"
    kind: Kind = "svg"
    scale: int = 2
    say: Say = str
    unit: str = ""

    def __post_init__(self) -> None:
        if self.theme not in THEMES or self.width not in WIDTHS or self.kind not in KINDS:
            raise ValueError("no such look")
        if not 1 <= self.scale <= SCALE_MAX:
            raise ValueError(f"the scale is from 1 to {SCALE_MAX}")

    @property
    def palette(self) -> Palette:
        return PALETTES[self.theme]

    @property
    def size(self) -> Size:
        return SIZES[self.width]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours written #rrggbb, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
