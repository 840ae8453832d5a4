"""Papers with tables as PDF: A4 or Letter, numbered pages, heads repeated. ReportLab is loaded only then.

What is grave has a mark in front, a shade and bold words, so that it can be read in black and white.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from io import BytesIO
from types import MappingProxyType
from typing import Any

from inventory.rules.label_sheet import MM, fonts

# Width and height in mm: ISO 216, and the American one of 8.5 by 11 inches.
PAPERS_MM = MappingProxyType({"a4": (210.0, 297.0), "letter": (215.9, 279.4)})
MARGIN_MM, FOOT_MM = 14.0, 9.0
SIZE_PT, HEAD_PT, TITLE_PT = 7.8, 11.5, 17
MARK = "! "
# What ReportLab leaves free on either side of a frame.
FRAME_PAD_PT = 6
LEADING_PT = SIZE_PT * 1.28
PAD_LEFT_PT, PAD_RIGHT_PT = 2, 3


@dataclass(frozen=True)
class Column:
    """share: of the width, beside those of the other columns. right: figures stand under one another.

    strong: in bold where the line is grave, as the first column always is.
    """

    head: str
    share: float
    right: bool = False
    strong: bool = False


@dataclass(frozen=True)
class Line:
    """A row of a table. grave: somebody has to act on it."""

    cells: Sequence[str]
    grave: bool = False


@dataclass(frozen=True)
class Part:
    """A heading with words below it and a table, or what to say in its stead; after: words below that."""

    title: str
    words: Sequence[str] = ()
    columns: Sequence[Column] = ()
    lines: Sequence[Line] = ()
    empty: str = ""
    after: str = ""


@dataclass(frozen=True)
class Paper:
    """facts: pairs of words and what stands beside them. foot: on every page, beside its number.

    page_words: as "Page {page} of {pages}".
    """

    title: str
    facts: Sequence[tuple[str, str]]
    parts: Sequence[Part]
    foot: str
    page_words: str = "Page {page} of {pages}"
    landscape: bool = False


def paper_pdf(paper: Paper, size: str = "a4") -> bytes:
    """The finished PDF. size: one of `PAPERS_MM`. The same paper gives the same bytes."""
    from reportlab.platypus import SimpleDocTemplate

    fonts()
    sides = [side * MM for side in PAPERS_MM[size]]
    width, height = reversed(sides) if paper.landscape else sides
    buffer = BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=(width, height),
        leftMargin=MARGIN_MM * MM,
        rightMargin=MARGIN_MM * MM,
        topMargin=MARGIN_MM * MM,
        bottomMargin=(MARGIN_MM + FOOT_MM) * MM,
        title=paper.title,
        invariant=1,
    )
    room = document.width - 2 * FRAME_PAD_PT
    story = [*_head(paper, room)]
    for part in paper.parts:
        story += _part(part, room)
    document.build(story, canvasmaker=_numbered(paper))
    return buffer.getvalue()


def _style(name: str, size: float, *, bold: bool = False, **more: Any) -> Any:
    from reportlab.lib.styles import ParagraphStyle

    font = "Label-Bold" if bold else "Label"
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=size * 1.28, splitLongWords=1, **more)


def _printable(words: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in words)


def _clean(words: str) -> str:
    """Without what cannot be printed, ready for the mark-up of a paragraph."""
    return escape(_printable(words), quote=False)


def _words(words: str, style: Any) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(_clean(words), style)


def _head(paper: Paper, width: float) -> list[Any]:
    from reportlab.platypus import Spacer, Table

    name, value = _style("fact", SIZE_PT + 1), _style("value", SIZE_PT + 1, bold=True)
    rows = [[_words(label, name), _words(told, value)] for label, told in paper.facts]
    title = _words(paper.title, _style("title", TITLE_PT, bold=True, spaceAfter=6))
    if not rows:
        return [title]
    table = Table(rows, colWidths=[width * 0.22, width * 0.78], hAlign="LEFT")
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0), *_tight()])
    return [title, table, Spacer(1, 4)]


def _tight() -> list[tuple[Any, ...]]:
    return [("TOPPADDING", (0, 0), (-1, -1), 1.6), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6)]


def _part(part: Part, width: float) -> list[Any]:
    from reportlab.platypus import CondPageBreak

    head = _style("head", HEAD_PT, bold=True, spaceBefore=10, spaceAfter=3)
    said = _style("said", SIZE_PT + 0.6, spaceAfter=3)
    found = [CondPageBreak(30 * MM), _words(part.title, head), *(_words(text, said) for text in part.words)]
    if part.lines:
        found.append(_table(part, width))
    elif part.empty:
        found.append(_words(part.empty, said))
    if part.after:
        found.append(_words(part.after, _style("after", SIZE_PT + 0.6, spaceBefore=8)))
    return found


def _table(part: Part, width: float) -> Any:
    """Cells are wrapped here and drawn as plain text, several times as fast as paragraphs would be."""
    from reportlab.platypus import LongTable

    shares = sum(column.share for column in part.columns)
    widths = [width * column.share / shares for column in part.columns]
    rows = [_row([column.head for column in part.columns], widths, [True] * len(widths))]
    for line in part.lines:
        cells = [MARK + line.cells[0], *line.cells[1:]] if line.grave else line.cells
        bold = [line.grave and (column.strong or not at) for at, column in enumerate(part.columns)]
        rows.append(_row(cells, widths, bold))
    table = LongTable(rows, colWidths=widths, repeatRows=1, splitInRow=1)
    table.setStyle(_looks(part))
    return table


def _row(cells: Sequence[str], widths: Sequence[float], bold: Sequence[bool]) -> list[str]:
    room = [width - PAD_LEFT_PT - PAD_RIGHT_PT for width in widths]
    return ["\n".join(_wrapped(*cell)) for cell in zip(cells, room, bold, strict=True)]


def _wrapped(text: str, room: float, bold: bool) -> list[str]:
    """Lines no wider than the room; a word that is wider is broken."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font, lines, line = "Label-Bold" if bold else "Label", [], ""
    for word in _printable(text).split():
        longer = f"{line} {word}" if line else word
        if stringWidth(longer, font, SIZE_PT) <= room:
            line = longer
            continue
        lines += [line] if line else []
        line = word
        while stringWidth(line, font, SIZE_PT) > room and len(line) > 1:
            fits = next(n for n in range(len(line) - 1, 0, -1) if n == 1 or _fits(line[:n], font, room))
            lines.append(line[:fits])
            line = line[fits:]
    return [*lines, line]


def _fits(text: str, font: str, room: float) -> bool:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return bool(stringWidth(text, font, SIZE_PT) <= room)


def _looks(part: Part) -> list[tuple[Any, ...]]:
    from reportlab.lib.colors import Color

    grey, line = Color(0.9, 0.9, 0.9), Color(0.55, 0.55, 0.55)
    looks: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("FONT", (0, 0), (-1, 0), "Label-Bold", SIZE_PT, LEADING_PT),
        ("FONT", (0, 1), (-1, -1), "Label", SIZE_PT, LEADING_PT),
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, line),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, line),
        ("LEFTPADDING", (0, 0), (-1, -1), PAD_LEFT_PT),
        ("RIGHTPADDING", (0, 0), (-1, -1), PAD_RIGHT_PT),
        *_tight(),
    ]
    looks += [("ALIGN", (at, 0), (at, -1), "RIGHT") for at, one in enumerate(part.columns) if one.right]
    strong = [0, *(at for at, one in enumerate(part.columns) if one.strong and at)]
    for row in (number for number, one in enumerate(part.lines, start=1) if one.grave):
        looks.append(("BACKGROUND", (0, row), (-1, row), grey))
        looks += [("FONTNAME", (at, row), (at, row), "Label-Bold") for at in strong]
    return looks


def _numbered(paper: Paper) -> Any:
    """A canvas that knows how many pages there are before it numbers them."""
    from reportlab.pdfgen.canvas import Canvas

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *given: Any, **named: Any) -> None:
            super().__init__(*given, **named)
            self._kept: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - the name that ReportLab calls
            self._kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._kept, start=1):
                self.__dict__.update(page)
                self._foot(paper.page_words.format(page=number, pages=len(self._kept)))
                super().showPage()
            super().save()

        def _foot(self, number: str) -> None:
            width, y = self._pagesize[0], MARGIN_MM * MM
            self.setStrokeColorRGB(0.55, 0.55, 0.55)
            self.setLineWidth(0.4)
            self.line(MARGIN_MM * MM, y + 11, width - MARGIN_MM * MM, y + 11)
            self.setFillColorRGB(0, 0, 0)
            self.setFont("Label", SIZE_PT)
            self.drawRightString(width - MARGIN_MM * MM, y, number)
            room = width - 2 * MARGIN_MM * MM - self.stringWidth(number, "Label", SIZE_PT) - 8
            foot = paper.foot
            while foot and self.stringWidth(foot, "Label", SIZE_PT) > room:
                foot = foot[:-2] + "…" if len(foot) > 1 else ""
            self.drawString(MARGIN_MM * MM, y, foot)

    return Numbered
