"""A solvent balance on paper: figures, what feeds what, bars, cautions, and lines to sign on.

The same report gives the same bytes. reportlab and matplotlib are imported when a page is made, not before.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.style import Look
from recovery.rules.pictures.balance_bars import BarRow, SolventBars, balance_bars
from recovery.rules.solvent_balance import Figures, Report, SolventBalance
from recovery.rules.solvent_balance_csv import millilitres
from recovery.rules.solvent_balance_words import (
    APART_WORDS,
    FIGURE_WORDS,
    SOURCES,
    TERM_NAMES,
    TITLE,
    figures_of,
    grams_rounded,
    period_words,
    signed_words,
)
from recovery.rules.solvent_terms import OUTPUTS, Term, TermTable

NG_PER_KG = 10**12
BARS_A_PICTURE = 8
FONT, BOLD = "DejaVuSans", "DejaVuSans-Bold"
ROUNDED = "Masses are rounded to 1 mg here; the exact figures, which add up, are in the CSV and JSON answers."


def balance_pdf(report: Report, table: TermTable, *, lab: str, cautions: Sequence[str]) -> bytes:
    """A4 pages. cautions: printed first, since nobody should read the figures without them."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _fonts()
    out = BytesIO()
    title = f"{TITLE}: {lab}, {period_words(report)}"
    pages = SimpleDocTemplate(
        out, pagesize=A4, title=title, author=lab, subject=TITLE, creator="Stillkeep", invariant=1,
        leftMargin=18 * mm, rightMargin=18 * mm, topMargin=16 * mm, bottomMargin=18 * mm,
    )  # fmt: skip
    story = _Story(pages.width)
    story.heading(f"{TITLE} by {table.source.split(',')[0]}", 1)
    story.text(f"{lab}. Period: {period_words(report)}.")
    for words in (*cautions, ROUNDED):
        story.text(f"• {words}")
    _total(story, report, table)
    for solvent in report.solvents:
        if solvent.flows:
            _solvent(story, solvent, table)
    _unmoved(story, [solvent for solvent in report.solvents if not solvent.flows])
    _rules(story, table)
    story.heading("Sources", 2)
    for words in SOURCES:
        story.text(f"• {words}")
    _signatures(story)
    foot = _foot(title)
    pages.build(story.parts, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def _fonts() -> None:
    """A font that has more than Latin letters, as names are written in any script. Registering it is kept."""
    import matplotlib as mpl
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name in (FONT, BOLD):
        # A font that was written with before would be embedded with what it was needed for then.
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


class _Story:
    """Collects the parts of a document."""

    def __init__(self, width: float) -> None:
        from reportlab.lib.styles import ParagraphStyle

        self.width = width
        self.parts: list[Any] = []
        self.plain = ParagraphStyle("plain", fontName=FONT, fontSize=8, leading=11)
        self.bold = ParagraphStyle("bold", parent=self.plain, fontName=BOLD)
        self.number = ParagraphStyle("number", parent=self.plain, alignment=2)
        self.bold_number = ParagraphStyle("bold-number", parent=self.bold, alignment=2)

    def heading(self, words: str, level: int) -> None:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        size = {1: 13, 2: 11}[level]
        style = ParagraphStyle(
            f"heading-{level}", parent=self.bold, fontSize=size, leading=size + 4, spaceBefore=8,
            spaceAfter=3, keepWithNext=1,
        )  # fmt: skip
        self.parts.append(Paragraph(escape(words), style))

    def text(self, words: str) -> None:
        from reportlab.platypus import Paragraph

        self.parts.append(Paragraph(escape(words), self.plain))

    def table(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths: Sequence[float],
        *,
        above: float = 1.5,
    ) -> None:
        """widths: shares of the page. Columns whose head ends in a unit are set to the right."""
        from reportlab.lib import colors
        from reportlab.platypus import Paragraph, Table

        right = [name.endswith((" g", " mL")) for name in head]
        heads = [self.bold_number if each else self.bold for each in right]
        cells = [[Paragraph(escape(name), style) for name, style in zip(head, heads, strict=True)]]
        for row in rows:
            styles = [self.number if each else self.plain for each in right]
            cells.append([Paragraph(escape(c), style) for c, style in zip(row, styles, strict=True)])
        grid = ("LINEBELOW", (0, 0), (-1, -1), 0.25, colors.grey)
        pad = [("TOPPADDING", (0, 0), (-1, -1), above), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5)]
        style = [grid, ("VALIGN", (0, 0), (-1, -1), "TOP"), *pad]
        made = Table(cells, [share * self.width for share in widths], repeatRows=1, style=style)
        made.spaceBefore, made.spaceAfter = 2, 6
        self.parts.append(made)

    def picture(self, png: bytes) -> None:
        from reportlab.platypus import Image

        made = Image(BytesIO(png))
        made._restrictSize(self.width, 640)
        self.parts.append(made)


def _total(story: _Story, report: Report, table: TermTable) -> None:
    story.heading("All solvents", 2)
    _figures(story, report.total, None, table)
    if report.apart:
        story.text("Of this, what has no home:")
        rows = [(APART_WORDS[code], grams_rounded(ng)) for code, ng in sorted(report.apart.items())]
        story.table(("What", "mass, g"), rows, (0.75, 0.25))
    for start in range(0, len(report.solvents), BARS_A_PICTURE):
        chosen = report.solvents[start : start + BARS_A_PICTURE]
        look = Look(theme="light", width="large", kind="png", scale=3)
        story.picture(balance_bars(bars_of(chosen, table), look))


def bars_of(solvents: Sequence[SolventBalance], table: TermTable) -> SolventBars:
    """Inputs and outputs of each solvent in kg, for the picture. Terms below zero are left to the table."""
    words = {term.term: _named(term) for term in table.terms}
    rows = tuple(
        BarRow(
            solvent.name,
            ((words["I1"], _kg(solvent.mass.i1)),),
            tuple((words[term], _kg(solvent.mass.outputs[term])) for term in OUTPUTS),
        )
        for solvent in solvents
    )
    note = Phrase("What was distilled back and used again (I2) goes round inside and is in neither bar.")
    return SolventBars(Phrase("Inputs and outputs"), "kg", rows, notes=(note,))


def _named(term: Term) -> Phrase:
    words = TERM_NAMES.get(term.term) or term.words.rstrip(".")
    return Phrase("{term} {words}", term=term.term, words=words)


def _kg(mass_ng: int) -> float:
    return max(mass_ng, 0) / NG_PER_KG


def _figures(story: _Story, mass: Figures, volume: Figures | None, table: TermTable) -> None:
    words = {term.term: f"{term.term}: {term.words}" for term in table.terms} | FIGURE_WORDS
    volumes = dict(figures_of(volume)) if volume else {}
    rows = [
        (words[code], grams_rounded(ng), *([millilitres(volumes[code])] if volume else []))
        for code, ng in figures_of(mass)
    ]
    head = ("What", "mass, g", "volume, mL") if volume else ("What", "mass, g")
    story.table(head, rows, (0.6, 0.2, 0.2) if volume else (0.75, 0.25))
    share = mass.fugitive_share
    told = "nothing was put in" if share is None else f"{share * 100:.2f} %"
    story.text(f"Fugitive share F / (I1 + I2): {told}")


def _solvent(story: _Story, solvent: SolventBalance, table: TermTable) -> None:
    story.heading(f"{solvent.name} ({solvent.density_kg_m3:f} kg/m³ at 20 °C)", 2)
    _figures(story, solvent.mass, solvent.volume, table)
    stock = [(kind, *map(millilitres, ends)) for kind, ends in solvent.stock.items()]
    if stock:
        story.table(("Where it stood", "opening, mL", "closing, mL"), stock, (0.5, 0.25, 0.25))
    flows = [
        (f"{f.source} to {f.destination}", signed_words(f.terms), millilitres(f.volume_ul))
        for f in solvent.flows
    ]
    if flows:
        story.table(("What moved", "feeds", "volume, mL"), flows, (0.4, 0.4, 0.2))


def _unmoved(story: _Story, solvents: Sequence[SolventBalance]) -> None:
    """What only stood there takes a line, not a page."""
    if solvents:
        story.heading("Stood here, and nothing moved", 2)
        rows = [(s.name, grams_rounded(s.mass.closing), millilitres(s.volume.closing)) for s in solvents]
        story.table(("What", "mass, g", "volume, mL"), rows, (0.6, 0.2, 0.2))


def _rules(story: _Story, table: TermTable) -> None:
    story.heading("Which movement feeds which term", 2)
    merged: dict[Any, list[str]] = {}
    for (source, destination), feed in sorted(table.feeds.items()):
        merged.setdefault(feed, []).append(f"{source} to {destination}")
    rows = [
        (", ".join(pairs), signed_words(feed.signed), f"{feed.words} ({feed.source})")
        for feed, pairs in merged.items()
    ]
    rows.append(("inside the stock", f"adds to {table.reuse.term}", table.reuse.words))
    rows.append(("any other", "", str(table.no_row["words"])))
    story.table(("From and to", "feeds", "why, and by whom"), rows, (0.33, 0.17, 0.5))


def _signatures(story: _Story) -> None:
    story.heading("Signed", 2)
    line = "_" * 34
    rows = [("Drawn up by", line, "Date", "_" * 14), ("Supervisor", line, "Date", "_" * 14)]
    story.table(("", "name and signature", "", ""), rows, (0.2, 0.45, 0.1, 0.25), above=18)


def _foot(title: str) -> Any:
    def foot(canvas: Any, document: Any) -> None:
        canvas.saveState()
        canvas.setFont(FONT, 7)
        canvas.drawString(document.leftMargin, 28, title[:110])
        canvas.drawRightString(document.leftMargin + document.width, 28, f"page {document.page}")
        canvas.restoreState()

    return foot
