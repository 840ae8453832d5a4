"""What is drawn on: shapes and words in CSS pixels, y downwards, kept in a list until the height is known.

matplotlib is imported when something is measured or drawn, not before. It is not made for threads, so one
lock is held while it works; a drawing takes some tenths of a second. The same sheet gives the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from io import BytesIO
from threading import RLock
from typing import TYPE_CHECKING, Any, Literal

from inventory.rules.pictures.style import Kind, Look
from inventory.rules.pictures.svg import Told, tidied
from inventory.rules.pictures.words import ISOLATE, ISOLATE_END, clean

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties
    from matplotlib.transforms import Transform

__all__ = ["Box", "Point", "Shape", "Sheet", "shortened", "width_of", "wrapped"]

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]
Shape = Literal["circle", "square", "diamond", "up", "down"]
ANCHORS: dict[Anchor, Literal["left", "center", "right"]] = {
    "start": "left", "middle": "center", "end": "right",
}  # fmt: skip
# What a letter needs above its base line, and below, as parts of its size (DejaVu Sans).
ASCENT, DESCENT = 0.78, 0.24
CORNERS: dict[str, list[Point]] = {
    "square": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
    "diamond": [(0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)],
    "up": [(0, -1.2), (1.1, 0.9), (-1.1, 0.9)],
    "down": [(0, 1.2), (-1.1, -0.9), (1.1, -0.9)],
}
# A number and its unit stay on one line.
BEFORE_UNIT = re.compile(
    r"(?<=[0-9]) (?=(?:%|mL|L|m³|mg|kg|g|mg/L|ppm|sigma|runs?|Lauf|Läufen?|±|[A-Z][a-z]{2})\b|%|±)"
)
_lock = RLock()


@dataclass(frozen=True)
class Box:
    """Where words stand, in CSS pixels from the upper left corner."""

    left: float
    top: float
    width: float
    height: float
    words: str


@lru_cache(maxsize=1)
def _prepared() -> None:
    """Settings of the process: text stays text, no formula in a name, and the same ids every time."""
    import matplotlib as mpl

    mpl.rcParams.update(
        {
            "svg.fonttype": "none",
            "svg.hashsalt": "stillkeep",
            "text.parse_math": False,
            "text.usetex": False,
            "font.family": ["DejaVu Sans"],
            "hatch.linewidth": 1.0,
        }
    )


def _font(size: float, bold: bool) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")


@lru_cache(maxsize=1)
def _letters() -> frozenset[str]:
    """What the font can show."""
    from matplotlib.font_manager import findfont, get_font

    return frozenset(map(chr, get_font(findfont(_font(12, False))).get_charmap()))


def _shown(words: str) -> str:
    """With a frame for each letter that the font does not have; an SVG gets the letters all the same."""
    return "".join(c if c in _letters() or c in ISOLATE + ISOLATE_END else "\u25a1" for c in words)


@lru_cache(maxsize=8192)
def width_of(words: str, size: float, bold: bool = False) -> float:
    """Width of a line of text in CSS pixels, in the font of the PNG; most others are narrower."""
    if not words:
        return 0.0
    with _lock:
        _prepared()
        from matplotlib.textpath import text_to_path

        return float(text_to_path.get_text_width_height_descent(_shown(words), _font(size, bold), False)[0])


def shortened(words: str, size: float, width: float, bold: bool = False) -> str:
    """The text, or its beginning with an ellipsis, so that it is no wider than `width`."""
    words = clean(words)
    if width_of(words, size, bold) <= width:
        return words
    low, high = 0, len(words)
    while high - low > 1:
        middle = (low + high) // 2
        fits = width_of(clean(words[:middle].rstrip() + "…"), size, bold) <= width
        low, high = (middle, high) if fits else (low, middle)
    return clean(words[:low].rstrip() + "…")


def wrapped(words: str, size: float, width: float, bold: bool = False, most: int = 6) -> list[str]:
    """The text in at most `most` lines, no line wider than `width`; what is left over ends in an ellipsis."""
    lines: list[str] = []
    rest = BEFORE_UNIT.sub("\u00a0", clean(words)).split(" ")
    while rest:
        if len(lines) == most - 1:
            return [*lines, shortened(" ".join(rest), size, width, bold)]
        taken = 1
        while taken < len(rest) and width_of(clean(" ".join(rest[: taken + 1])), size, bold) <= width:
            taken += 1
        lines.append(shortened(" ".join(rest[:taken]), size, width, bold))
        rest = rest[taken:]
    return lines


@dataclass
class Sheet:
    """One picture. title, desc: for those who cannot see it. height: set before it is made into bytes."""

    look: Look
    title: str
    desc: str
    height: float = 0.0
    texts: list[Box] = field(default_factory=list)
    _made: list[tuple[Any, dict[str, Any]]] = field(default_factory=list)
    _hints: dict[str, str] = field(default_factory=dict)

    def say(self, words: str) -> str:
        """Words in the language of the look."""
        return self.look.say(words)

    # -- shapes

    def line(self, points: Sequence[Point], colour: str, width: float = 1.0, **more: Any) -> None:
        """more: dash (lengths on and off), alpha, name, hint, above (drawing order)."""
        codes = [1] + [2] * (len(points) - 1)
        self._add(points, codes, fill="none", edge=colour, width=width, **more)

    def area(self, points: Sequence[Point], fill: str, **more: Any) -> None:
        """A closed polygon. more: edge, width, hatch, alpha, name, hint, above."""
        codes = [1] + [2] * (len(points) - 1) + [79]
        self._add([*points, points[0]], codes, fill=fill, **more)

    def box(self, left: float, top: float, width: float, height: float, fill: str, **more: Any) -> None:
        corners = [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]
        self.area(corners, fill, **more)

    def outline(self, points: Sequence[Point], codes: Sequence[int], fill: str, **more: Any) -> None:
        """A path of matplotlib's codes: 1 move, 2 line, 4 cubic curve, 79 close."""
        self._add(points, codes, fill=fill, **more)

    def mark(self, shape: Shape, x: float, y: float, radius: float, fill: str, **more: Any) -> None:
        """more: as for `area`."""
        if shape == "circle":
            k = 0.5523 * radius
            r = radius
            turns = [
                (r, 0), (r, k), (k, r), (0, r), (-k, r), (-r, k), (-r, 0),
                (-r, -k), (-k, -r), (0, -r), (k, -r), (r, -k), (r, 0),
            ]  # fmt: skip
            points = [(x + dx, y + dy) for dx, dy in turns]
            self._add([*points, points[0]], [1] + [4] * 12 + [79], fill=fill, **more)
        else:
            self.area([(x + dx * radius, y + dy * radius) for dx, dy in CORNERS[shape]], fill, **more)

    def _add(self, points: Sequence[Point], codes: Sequence[int], **how: Any) -> None:
        name, hint = how.pop("name", ""), how.pop("hint", "")
        if name and hint:
            self._hints[name] = clean(self.say(hint))
        self._made.append((("shape", list(points), list(codes)), {**how, "name": name}))

    # -- words

    def text(
        self, x: float, y: float, words: str, colour: str = "", *, size: float = 0.0, bold: bool = False,
        anchor: Anchor = "start", above: float = 5.0, backed: bool = False,
    ) -> None:  # fmt: skip
        """One line of text on its base line y. backed: on a plate of paper, so that lines do not cut it."""
        words = clean(self.say(words))
        if not words:
            return
        size = size or self.look.size.text
        width = width_of(words, size, bold)
        left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
        box = Box(left, y - ASCENT * size, width, (ASCENT + DESCENT) * size, words)
        self.texts.append(box)
        if backed:
            plate = self.look.palette.paper
            self.box(left - 2, box.top - 1, width + 4, box.height + 2, plate, alpha=0.82, above=above - 0.1)
        how: dict[str, Any] = {
            "colour": colour or self.look.palette.ink,
            "size": size,
            "bold": bold,
            "above": above,
        }
        how["name"] = f"words-{len(self.texts)}"
        self._made.append((("text", x, y, words), {**how, "anchor": anchor}))

    def lines_of_text(self, x: float, y: float, lines: Sequence[str], colour: str = "", **more: Any) -> float:
        """Lines one below the other, the first one's upper edge at y; returns where the next would be."""
        size = more.get("size") or self.look.size.text
        for line in lines:
            self.text(x, y + ASCENT * size, line, colour, **more)
            y += size * 1.35
        return y

    # -- bytes

    def bytes(self) -> bytes:
        """The picture in the kind that its look names."""
        with _lock:
            _prepared()
            figure = self._figure()
            drawn = BytesIO()
            figure.savefig(drawn, format=self.look.kind, dpi="figure", metadata=self._facts())
        if self.look.kind != "svg":
            return drawn.getvalue()
        told = Told(clean(self.say(self.title)), clean_long(self.say(self.desc)), self._hints, self._words())
        return tidied(drawn.getvalue(), (self.look.size.width, self.height), told)

    def _facts(self) -> dict[str, str | None]:
        """What the file says of itself: no date and no program, or no two drawings were alike."""
        title = clean(self.say(self.title))
        facts: dict[Kind, dict[str, str | None]] = {
            "svg": {"Date": None},
            "png": {"Software": None, "Title": title, "Description": clean_long(self.say(self.desc))},
            "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None, "Title": title},
        }
        return facts[self.look.kind]

    def _words(self) -> dict[str, str]:
        return {f"words-{place}": box.words for place, box in enumerate(self.texts, start=1)}

    def _figure(self) -> Figure:
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        width = self.look.size.width
        self.height = float(round(self.height))
        dpi = 72 * (self.look.scale if self.look.kind == "png" else 1)
        figure = Figure(figsize=(width / 72, self.height / 72), dpi=dpi, facecolor=self.look.palette.paper)
        place = Affine2D().scale(1 / width, -1 / self.height).translate(0, 1) + figure.transFigure
        for artist in self._artists(place):
            figure.add_artist(artist)
        return figure

    def _artists(self, place: Transform) -> Iterator[Artist]:
        for what, how in self._made:
            if what[0] == "shape":
                yield _shape(what[1], what[2], place, **how)
            else:
                yield _text(what[1], what[2], what[3], place, **how)


def clean_long(words: str) -> str:
    """As `clean`, for a description: in parts, so that its length does not matter."""
    return " ".join(clean(part) for part in words.split("\n") if part.strip())


def _shape(
    points: list[Point], codes: list[int], place: Transform, *, fill: str, name: str, edge: str = "none",
    width: float = 0.8, dash: Sequence[float] = (), hatch: str = "", hatch_colour: str = "",
    alpha: float = 1.0, above: float = 2.0,
) -> Artist:  # fmt: skip
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    patch = PathPatch(
        Path(points, codes), facecolor=fill, edgecolor=edge, linewidth=0 if edge == "none" else width,
        transform=place, zorder=above, hatch=hatch or None, hatchcolor=hatch_colour or edge,
        alpha=None if alpha == 1 else alpha, joinstyle="round", capstyle="butt",
    )  # fmt: skip
    if dash:
        patch.set_linestyle((0, [part / width for part in dash]))
    if name:
        patch.set_gid(name)
    return patch


def _text(
    x: float, y: float, words: str, place: Transform, *, colour: str, size: float, bold: bool,
    anchor: Anchor, above: float, name: str,
) -> Artist:  # fmt: skip
    from matplotlib.text import Text

    made = Text(
        x, y, _shown(words), color=colour, fontproperties=_font(size, bold), transform=place, zorder=above,
        horizontalalignment=ANCHORS[anchor], verticalalignment="baseline", rotation_mode="anchor",
    )  # fmt: skip
    made.set_gid(name)
    return made
