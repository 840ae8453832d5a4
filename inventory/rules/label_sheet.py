"""Labels as PDF, single or on A4 sheets, drawn as vectors; ReportLab and Segno are loaded when one is made.

Sizes: for containers up to 3 L the label is to measure 52 by 74 mm if possible and a pictogram 10 mm a side
at least, 16 mm if possible (CLP Annex I 1.2.1, from memory). The small one is for bottles on which that does
not fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from math import sqrt
from types import MappingProxyType
from typing import Any

from inventory.rules.label_foot import LEADING, READABLE_PT, Lines, foot_lines, left_off
from inventory.rules.label_text import LabelText, symbols
from inventory.rules.phrases import Phrase

A4_MM = (210.0, 297.0)
MM = 72 / 25.4
RED = (0.83, 0.0, 0.07)
# Name and code give way by these factors until the statements are READABLE_PT or more, at the worst
# LEAST_PT; our choice, not published.
SQUEEZES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)
LEAST_PT = 3.6
# From one line to write on to the next, in sizes of its type.
SPACING, SPACING_LEAST = 2.1, 1.7


@dataclass(frozen=True)
class Size:
    """A label in mm, and how many stand on an A4 sheet.

    qr_mm: side of the code. sign_mm: a pictogram from corner to corner. base_pt: size of type.
    """

    key: str
    words: str
    width_mm: float
    height_mm: float
    columns: int
    rows: int
    qr_mm: float
    sign_mm: float
    base_pt: float

    @property
    def on_a_sheet(self) -> int:
        return self.columns * self.rows


SIZES = MappingProxyType(
    {
        size.key: size
        for size in (
            Size("small", Phrase("100 to 250 mL: 66 by 49 mm"), 66, 49, 3, 6, 17, 14.2, 5.6),
            Size("medium", Phrase("250 mL to 1 L: 99 by 69 mm"), 99, 69, 2, 4, 24, 18, 7.4),
            Size("large", Phrase("1 L to 2.5 L: 105 by 99 mm"), 105, 99, 2, 3, 30, 23, 9),
        )
    }
)


class NoRoom(ValueError):
    """Labels of that size cannot hold what must stand on them. codes: of which containers."""

    def __init__(self, codes: Sequence[str]) -> None:
        super().__init__(", ".join(codes))
        self.codes = tuple(codes)


def labels_pdf(labels: Sequence[LabelText], size: Size, *, single: bool = False, skip: int = 0) -> bytes:
    """The labels in order. single: one a page, as large as the label; else A4 sheets.

    skip: places of the first sheet that are used already, 0 to on_a_sheet - 1. Raises ValueError without a
    label, NoRoom where the size is too small for one of them.
    """
    if not labels:
        raise ValueError("there is no label to draw")
    from reportlab.pdfgen.canvas import Canvas

    buffer = BytesIO()
    page_mm = (size.width_mm, size.height_mm) if single else A4_MM
    canvas = Canvas(buffer, pagesize=(page_mm[0] * MM, page_mm[1] * MM), invariant=1)
    canvas.setTitle("Labels")
    fonts()
    too_full = []
    for index, label in enumerate(labels):
        place = 0 if single else (index + skip) % size.on_a_sheet
        if index and place == 0:
            canvas.showPage()
        canvas.saveState()
        canvas.translate(*_corner(place, size, single))
        if not _Drawing(canvas, size, label).draw():
            too_full.append(label.code)
        canvas.restoreState()
    if too_full:
        raise NoRoom(too_full)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _corner(place: int, size: Size, single: bool) -> tuple[float, float]:
    """Lower left corner of a place in points; sheets are filled from the top left."""
    if single:
        return 0.0, 0.0
    left = (A4_MM[0] - size.columns * size.width_mm) / 2
    bottom = (A4_MM[1] - size.rows * size.height_mm) / 2
    row, column = divmod(place, size.columns)
    up = size.rows - 1 - row
    return (left + column * size.width_mm) * MM, (bottom + up * size.height_mm) * MM


def fonts() -> None:
    """DejaVu Sans, which Matplotlib brings along: it has the letters of most alphabets."""
    from pathlib import Path

    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if "Label" in pdfmetrics.getRegisteredFontNames():
        return
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont("Label", str(folder / "DejaVuSans.ttf")))
    pdfmetrics.registerFont(TTFont("Label-Bold", str(folder / "DejaVuSans-Bold.ttf")))


class _Nowhere:
    """A canvas on which nothing is drawn, to try out how much room there is."""

    def __getattr__(self, name: str) -> Any:
        return lambda *_, **__: 0.0 if name == "stringWidth" else self


class _Drawing:
    """Draws one label in a space whose lower left corner is the origin."""

    def __init__(self, canvas: Any, size: Size, label: LabelText) -> None:
        self.canvas, self.size, self.label = canvas, size, label
        self.pad = 2.2 * MM
        self.width, self.height = size.width_mm * MM, size.height_mm * MM
        self.inner = self.width - 2 * self.pad
        self.lowest: list[Lines] = []
        self.detail, self.spacing = label.detail, SPACING

    def draw(self) -> bool:
        """Whether there was room for all that must stand on it."""
        self.canvas.setStrokeColorRGB(0.6, 0.6, 0.6)
        self.canvas.setLineWidth(0.3)
        self.canvas.roundRect(1, 1, self.width - 2, self.height - 2, 4)
        canvas, self.canvas = self.canvas, _Nowhere()
        found = next(filter(None, map(self._without, left_off())), None)
        self.canvas = canvas
        if found is None:
            return False
        squeeze, size = found
        top, foot = self._head_and_foot(squeeze)
        self._words(top, foot, size)
        return True

    def _without(self, off: frozenset[str]) -> tuple[float, float] | None:
        """As `_fitting`, with that left off; None where there is no room for the rest.

        For the words for an emergency there is room only where the statements stay readable.
        """
        lowest = foot_lines(self.label, self.inner, self.size.base_pt * 0.9, off)
        if lowest is None:
            return None
        self.lowest, self.detail = lowest, "" if "detail" in off else self.label.detail
        self.spacing = SPACING_LEAST if "space" in off else SPACING
        squeeze, size = self._fitting()
        least = LEAST_PT if "emergency" in off or not self.label.emergency else READABLE_PT
        return (squeeze, size) if size >= least else None

    def _fitting(self) -> tuple[float, float]:
        """How much the head gives way so that the statements can be read, and the type they then have."""
        found = []
        for squeeze in SQUEEZES:
            size = self._word_size(*self._head_and_foot(squeeze))
            found.append((squeeze, size))
            if size >= min(READABLE_PT, self.size.base_pt):
                break
        return max(found, key=lambda one: one[1])

    def _head_and_foot(self, squeeze: float) -> tuple[float, float]:
        """Everything but the statements. Returns between which heights there is room for those."""
        base = self.size.base_pt * squeeze
        foot = self._foot(self.size.base_pt * min(1.0, squeeze + 0.15))
        qr = self.size.qr_mm * MM
        self._qr(self.width - self.pad - qr, self.height - self.pad - qr, qr)
        beside = self.inner - qr - 2 * MM
        top = self.height - self.pad
        top = self._text(self.label.name, top, beside, base * 1.75, bold=True, lines=2)
        top = self._code(top - 1, beside, base)
        if self.label.signal_word:
            top = self._text(self.label.signal_word.upper(), top - 1, beside, base * 1.5, bold=True, lines=1)
        return min(self._signs(top - 1 * MM), self.height - self.pad - qr - 1 * MM), foot

    def _code(self, top: float, width: float, base: float) -> float:
        """The code, and beside or below it how often it was distilled."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        label, size = self.label, base * 0.9
        detail = self.detail
        below = self._text(label.code, top, width, base * 1.6, bold=True, lines=1)
        taken = stringWidth(f"{label.code} ", "Label-Bold", base * 1.6)
        if not detail:
            return below
        if taken + stringWidth(detail, "Label", size) > width:
            return self._text(detail, below, width, size, lines=1)
        self.canvas.setFont("Label", size)
        self.canvas.drawString(self.pad + taken, below, detail)
        return below

    def _text(
        self, words: str, top: float, width: float, size: float, *, bold: bool = False, lines: int = 99
    ) -> float:
        """Wrapped text from `top` down, made smaller until it fits in `lines`. Returns where it ends."""
        from reportlab.lib.utils import simpleSplit

        font = "Label-Bold" if bold else "Label"
        wrapped = simpleSplit(words, font, size, width)
        while len(wrapped) > lines and size > 4:
            size *= 0.92
            wrapped = simpleSplit(words, font, size, width)
        self.canvas.setFillColorRGB(0, 0, 0)
        self.canvas.setFont(font, size)
        for line in wrapped[:lines]:
            top -= size * 1.18
            self.canvas.drawString(self.pad, top, line)
        return top

    def _signs(self, top: float) -> float:
        """The pictograms in a row; with more than fit beside the code they get smaller, 10 mm at least."""
        signs = self.label.pictograms
        if not signs:
            return top
        under_code = self.height - self.pad - self.size.qr_mm * MM
        beside = self.inner - self.size.qr_mm * MM - 2 * MM
        # The side of a diamond is its diagonal over the root of two.
        least = 10 * sqrt(2) * MM
        if least * len(signs) > beside:
            top = min(top, under_code)
        room = self.inner if top <= under_code else beside
        across = max(min(self.size.sign_mm * MM, room / len(signs)), least)
        for index, code in enumerate(signs):
            self._sign(code, self.pad + index * across, top - across, across)
        return top - across

    def _sign(self, code: str, left: float, bottom: float, across: float) -> None:
        canvas = self.canvas
        canvas.saveState()
        canvas.translate(left, bottom)
        canvas.scale(across / 1000, across / 1000)
        frame = canvas.beginPath()
        frame.moveTo(500, 22)
        for x, y in ((978, 500), (500, 978), (22, 500)):
            frame.lineTo(x, y)
        frame.close()
        canvas.setFillColorRGB(1, 1, 1)
        canvas.setStrokeColorRGB(*RED)
        canvas.setLineWidth(36)
        canvas.setLineJoin(0)
        canvas.drawPath(frame, stroke=1, fill=1)
        symbol = canvas.beginPath()
        for polygon in symbols()[code]:
            symbol.moveTo(polygon[0][0], 1000 - polygon[0][1])
            for x, y in polygon[1:]:
                symbol.lineTo(x, 1000 - y)
            symbol.close()
        canvas.setFillColorRGB(0, 0, 0)
        canvas.drawPath(symbol, stroke=0, fill=1, fillMode=0)
        canvas.restoreState()

    def _qr(self, left: float, bottom: float, side: float) -> None:
        """As one path of squares, with the quiet zone of four modules that ISO/IEC 18004 asks for."""
        if isinstance(self.canvas, _Nowhere):
            return
        import segno

        rows = list(segno.make(self.label.address, error="m", micro=False).matrix_iter(border=4))
        step = side / len(rows)
        path = self.canvas.beginPath()
        for y, row in enumerate(rows):
            for x, dark in enumerate(row):
                if dark:
                    path.rect(left + x * step, bottom + side - (y + 1) * step, step * 1.01, step * 1.01)
        self.canvas.setFillColorRGB(1, 1, 1)
        self.canvas.rect(left, bottom, side, side, stroke=0, fill=1)
        self.canvas.setFillColorRGB(0, 0, 0)
        self.canvas.drawPath(path, stroke=0, fill=1)

    def _parts(self) -> list[tuple[str, bool]]:
        """To leave it alone, or the warning of peroxides, goes first, in bold."""
        label = self.label
        first = label.leave or (label.may_form if label.may_form_peroxides else "")
        parts = [(first, True)] if first else []
        return [*parts, (" ".join(label.statements) if label.known else label.not_known, False)]

    def _word_size(self, top: float, foot: float) -> float:
        """The largest type in which the statements fit, that of the label at most; 0: in none."""
        from reportlab.lib.utils import simpleSplit

        fonts_of = [("Label-Bold" if bold else "Label", words) for words, bold in self._parts()]
        size = self.size.base_pt
        while size > LEAST_PT:
            lines = sum(len(simpleSplit(words, font, size, self.inner)) for font, words in fonts_of)
            if lines * size * 1.18 <= top - foot:
                return size
            size *= 0.97
        return 0.0

    def _words(self, top: float, foot: float, size: float) -> None:
        """Hazard statements, as large as the room allows."""
        for words, bold in self._parts():
            top = self._text(words, top, self.inner, size, bold=bold)

    def _foot(self, base: float) -> float:
        """Lines to write dates on, then whom to call and the lab. Returns where they begin."""
        canvas, label = self.canvas, self.label
        size = base * 0.9
        bottom = self._lowest()
        half = self.inner / 2
        rows = (len(label.dated) + 1) // 2
        step = size * self.spacing
        canvas.setStrokeColorRGB(0.3, 0.3, 0.3)
        for index, (name, day) in enumerate(label.dated):
            row, column = divmod(index, 2)
            y = bottom + (rows - 1 - row) * step + size * 0.4
            x = self.pad + column * half
            canvas.setFont("Label", size)
            canvas.drawString(x, y, name)
            begins = x + canvas.stringWidth(name, "Label", size) + 2
            canvas.line(begins, y - 1, x + half - 4, y - 1)
            canvas.setFont("Label-Bold", size)
            canvas.drawString(begins + 1, y, day)
        return bottom + rows * step + 1

    def _lowest(self) -> float:
        """Whom to call and the lab, one block over the other. Returns where the last begins."""
        canvas = self.canvas
        canvas.setFillColorRGB(0, 0, 0)
        height = sum(block.height for block in self.lowest)
        top = self.pad + height
        for block in self.lowest:
            canvas.setFont("Label", block.size)
            for line in block.words:
                top -= block.size * LEADING
                canvas.drawString(self.pad, top, line)
        return self.pad + height + (0.3 * self.lowest[0].size if self.lowest else 0)
