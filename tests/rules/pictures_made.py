"""Reading pictures back: the parts of an SVG, and text measured by another program than the one that drew."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree as ET

import matplotlib
from PIL import ImageFont

from inventory.rules.pictures.style import Look, Theme, Width

SVG = "{http://www.w3.org/2000/svg}"
LOOKS = [Look(theme, width) for theme in ("light", "dark") for width in ("small", "large")]
# Elements and attributes by which an SVG runs something or fetches something (SVG 2, chapters 15 and 16).
ACTIVE = {"script", "foreignObject", "image", "style", "link", "iframe", "a", "animate", "set", "metadata"}


class Words(NamedTuple):
    text: str
    left: float
    right: float
    base: float
    size: float


def read(drawn: bytes) -> ET.Element:
    return ET.fromstring(drawn)


@cache
def _font(size: float, bold: bool) -> ImageFont.FreeTypeFont:
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size * 8)


def words_of(root: ET.Element) -> Iterator[Words]:
    """Every line of text with where it stands, measured by Pillow."""
    for text in root.iter(f"{SVG}text"):
        size = float(text.get("font-size", "").removesuffix("px"))
        told = "".join(text.itertext())
        width = _font(size, text.get("font-weight") == "700").getlength(told) / 8
        x, y = float(text.get("x", "")), float(text.get("y", ""))
        left = x - {"start": 0.0, "middle": width / 2, "end": width}[text.get("text-anchor", "")]
        yield Words(told, left, left + width, y, size)


def ids(root: ET.Element, start: str) -> list[str]:
    return [g.get("id", "") for g in root.iter(f"{SVG}g") if g.get("id", "").startswith(start)]


def check_whole(drawn: bytes, look: Look) -> ET.Element:
    """What holds of every picture: told to those who cannot see it, inert, and all words inside."""
    root = read(drawn)
    assert (root.get("role"), root.get("aria-labelledby")) == ("img", "picture-title picture-desc")
    assert [child.tag for child in list(root)[:2]] == [f"{SVG}title", f"{SVG}desc"]
    assert root.findtext(f"{SVG}title")
    assert root.findtext(f"{SVG}desc")
    width, height = float(root.get("width", "")), float(root.get("height", ""))
    assert root.get("viewBox") == f"0 0 {root.get('width')} {root.get('height')}"
    assert width == look.size.width
    for element in root.iter():
        assert element.tag.removeprefix(SVG) not in ACTIVE
        for name, value in element.attrib.items():
            assert not name.startswith("on")
            assert name != "style"
            assert not name.endswith("href") or value.startswith("#")
            assert "url(" not in value or value.startswith("url(#")
    assert b"<!DOCTYPE" not in drawn
    for words in words_of(root):
        assert words.left >= -0.5, words
        assert words.right <= width + 0.5, words
        assert words.size * 0.7 <= words.base <= height, words
        assert words.size >= 12, words
    return root


def look_of(theme: Theme = "light", width: Width = "large") -> Look:
    return Look(theme, width)
