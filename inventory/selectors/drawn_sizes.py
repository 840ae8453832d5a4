"""How high each picture was when it was last drawn, so that a page can keep room for it before it is there.

How high a picture is shows only once its words are measured, which costs as much as drawing it. So each
process keeps what it drew, by address; what it has not drawn yet gets the room that most of its kind take.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from urllib.parse import parse_qsl, urlsplit

from inventory.rules.pictures.style import SIZES, Width

KEPT_MAX = 4096
# px at the widths of `SIZES`, by what the tests of pictures draw; another height moves what is below it once.
USUAL: dict[str, dict[Width, int]] = {
    "": {"small": 500, "large": 560},
    "growth": {"small": 520, "large": 580},
    "losses": {"small": 740, "large": 890},
    "waterfall": {"small": 490, "large": 420},
    "flows": {"small": 520, "large": 610},
    "yields": {"small": 690, "large": 860},
}
# What changes no height: colours, and how many pixels a file has.
_OF_NO_MATTER = ("theme", "format", "scale", "width")
_HEIGHT = re.compile(rb'<svg[^>]*?\sheight="([\d.]+)"')
_drawn: dict[tuple[str, str], int] = {}


def size_of(address: str, width: Width, shape: str) -> tuple[int, int]:
    """Width and height in CSS pixels. shape: of `USUAL`, for one that was not drawn here yet."""
    high = _drawn.get((_plain(address), width), USUAL.get(shape, USUAL[""])[width])
    return SIZES[width].width, high


def note_size(address: str, width: Width, content: bytes) -> None:
    """Keep how high an SVG is; anything else tells nothing."""
    found = _HEIGHT.search(content[:2000])
    if found is None:
        return
    if len(_drawn) >= KEPT_MAX:
        _drawn.clear()
    _drawn[(_plain(address), width)] = round(float(found[1]))


def _plain(address: str) -> str:
    parts = urlsplit(address)
    asked: Iterable[tuple[str, str]] = parse_qsl(parts.query)
    return f"{parts.path}?{sorted(pair for pair in asked if pair[0] not in _OF_NO_MATTER)}"
