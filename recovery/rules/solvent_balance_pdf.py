"""A solvent balance on paper: figures, what feeds what, bars, cautions, and lines to sign on.

The same report gives the same bytes. reportlab and matplotlib are imported when a page is made, not before.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from inventory.rules.phrases import Phrase, Say
from inventory.rules.pictures.style import Look
from recovery.rules.paper_units import MASSES, VOLUMES, PaperUnit
from recovery.rules.pictures.balance_bars import NO_ROWS, BarRow, SolventBars, balance_bars
from recovery.rules.solvent_balance import Figures, Report, SolventBalance
from recovery.rules.solvent_balance_words import (
    APART_WORDS,
    FIGURE_WORDS,
    SOURCES,
    TITLE,
    figures_of,
    pair_words,
    period_words,
    signed_words,
)
from recovery.rules.solvent_terms import OUTPUTS, Term, TermTable
from recovery.rules.solvent_terms_words import TERM_NAMES, kind_words, of_the_file

BARS_A_PICTURE = 8
FONT, BOLD = "DejaVuSans", "DejaVuSans-Bold"
ROUNDED = Phrase(
    "Figures are rounded here, in tables in g to 1 mg, in kg to 1 g, in L to 1 mL; the exact ones, which add "
    "up, are in the CSV and JSON answers."
)
WHAT = Phrase("What")
# The empty part keeps the verb apart from the feeds of calendars, which translate otherwise.
FEEDS = Phrase("feeds{which}", which="")


def balance_pdf(
    report: Report, table: TermTable, *, lab: str, cautions: Sequence[str], say: Say = str, language: str = ""
) -> bytes:
    """A4 pages. cautions: printed first, since nobody should read the figures without them.

    say: says the words in a language; language: its code (RFC 5646), as readers of the file ask for it.
    """
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _fonts()
    out = BytesIO()
    period = period_words(report)
    title = say(Phrase("{title}: {lab}, {period}", title=TITLE, lab=lab, period=period))
    pages = SimpleDocTemplate(
        out, pagesize=A4, title=title, author=lab, subject=say(TITLE), creator="Stillkeep", invariant=1,
        leftMargin=18 * mm, rightMargin=18 * mm, topMargin=16 * mm, bottomMargin=18 * mm,
        lang=language or None,
    )  # fmt: skip
    story = _Story(pages.width, say)
    by = of_the_file(table.source.split(",")[0])
    story.heading(Phrase("{title} by {source}", title=TITLE, source=by), 1)
    story.text(Phrase("{lab}. Period: {period}.", lab=lab, period=period))
    story.points((*cautions, ROUNDED))
    _total(story, report, table)
    for solvent in report.solvents:
        if solvent.flows:
            _solvent(story, solvent, table)
    _unmoved(story, [solvent for solvent in report.solvents if not solvent.flows])
    _rules(story, table)
    story.heading(Phrase("Sources"), 2)
    story.points(SOURCES)
    _signatures(story)
    foot = _foot(title, say)
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
    """Collects the parts of a document; each word is said in its language here."""

    def __init__(self, width: float, say: Say) -> None:
        from reportlab.lib.styles import ParagraphStyle

        self.width, self.say = width, say
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
        self.parts.append(Paragraph(escape(self.say(words)), style))

    def text(self, words: str) -> None:
        from reportlab.platypus import Paragraph

        self.parts.append(Paragraph(escape(self.say(words)), self.plain))

    def points(self, lines: Sequence[str]) -> None:
        for words in lines:
            self.text(Phrase("• {words}", words=words))

    def table(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths: Sequence[float],
        *,
        above: float = 1.5,
    ) -> None:
        """widths: shares of the page. Columns whose head ends in a unit, in English, are set to the right."""
        from reportlab.lib import colors
        from reportlab.platypus import Paragraph, Table

        right = [name.endswith((" g", " kg", " mL", " L")) for name in head]
        heads = [self.bold_number if each else self.bold for each in right]
        styles = [self.number if each else self.plain for each in right]
        cells = [
            [Paragraph(escape(self.say(text)), style) for text, style in zip(texts, of, strict=True)]
            for texts, of in ((head, heads), *((row, styles) for row in rows))
        ]
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
    story.heading(Phrase("All solvents"), 2)
    unit = MASSES.of(ng for _, ng in figures_of(report.total))
    _figures(story, report.total, None, table)
    if report.apart:
        story.text(Phrase("Of this, what has no home:"))
        rows = [(APART_WORDS[code], unit.text(ng)) for code, ng in sorted(report.apart.items())]
        story.table((WHAT, unit.head), rows, (0.75, 0.25))
    moved = [solvent for solvent in report.solvents if _to_draw(solvent)]
    for start in range(0, len(moved), BARS_A_PICTURE):
        chosen = moved[start : start + BARS_A_PICTURE]
        look = Look(theme="light", width="large", kind="png", scale=3, say=story.say)
        story.picture(balance_bars(bars_of(chosen, table, unit), look))
    if not moved:
        story.text(NO_ROWS)


def _to_draw(solvent: SolventBalance) -> bool:
    """Whether a bar of it would be longer than nothing."""
    return any(mass_ng > 0 for mass_ng in (solvent.mass.i1, *solvent.mass.outputs.values()))


def bars_of(
    solvents: Sequence[SolventBalance], table: TermTable, unit: PaperUnit | None = None
) -> SolventBars:
    """Inputs and outputs of each solvent for the picture. Terms below zero are left to the table.

    unit: of the table beside it; left out, g or kg by the largest of them.
    """
    words = {term.term: _named(term) for term in table.terms}
    unit = unit or MASSES.of(
        ng for solvent in solvents for ng in (solvent.mass.i1, *solvent.mass.outputs.values())
    )
    rows = tuple(
        BarRow(
            solvent.name,
            ((words["I1"], unit.length(solvent.mass.i1)),),
            tuple((words[term], unit.length(solvent.mass.outputs[term])) for term in OUTPUTS),
        )
        for solvent in solvents
    )
    note = Phrase("What was distilled back and used again (I2) goes round inside and is in neither bar.")
    return SolventBars(Phrase("Inputs and outputs"), unit.name, rows, notes=(note,))


def _named(term: Term) -> Phrase:
    words = TERM_NAMES.get(term.term) or term.words.rstrip(".")
    return Phrase("{term} {words}", term=term.term, words=words)


def _figures(story: _Story, mass: Figures, volume: Figures | None, table: TermTable) -> None:
    words: dict[str, str] = {
        term.term: Phrase("{term}: {words}", term=term.term, words=term.words) for term in table.terms
    }
    words |= FIGURE_WORDS
    volumes = dict(figures_of(volume)) if volume else {}
    masses, of = MASSES.of(ng for _, ng in figures_of(mass)), VOLUMES.of(volumes.values())
    rows = [
        (words[code], masses.text(ng), *([of.text(volumes[code])] if volume else []))
        for code, ng in figures_of(mass)
    ]
    head = (WHAT, masses.head, of.head) if volume else (WHAT, masses.head)
    story.table(head, rows, (0.6, 0.2, 0.2) if volume else (0.75, 0.25))
    share = mass.fugitive_share
    told = Phrase("nothing was put in")
    if share is not None:
        told = Phrase("{percent:.2f} %", percent=share * 100)
    story.text(Phrase("Fugitive share F / (I1 + I2): {share}", share=told))


def _solvent(story: _Story, solvent: SolventBalance, table: TermTable) -> None:
    named = Phrase("{name} ({density:f} kg/m³ at 20 °C)", name=solvent.name, density=solvent.density_kg_m3)
    story.heading(named, 2)
    _figures(story, solvent.mass, solvent.volume, table)
    of = VOLUMES.of(end for ends in solvent.stock.values() for end in ends)
    stock = [(kind_words(kind), *map(of.text, ends)) for kind, ends in solvent.stock.items()]
    if stock:
        story.table((Phrase("Where it stood"), *of.ends), stock, (0.5, 0.25, 0.25))
    of = VOLUMES.of(flow.volume_ul for flow in solvent.flows)
    flows = [
        (pair_words(f.source, f.destination), signed_words(f.terms), of.text(f.volume_ul))
        for f in solvent.flows
    ]
    if flows:
        story.table((Phrase("What moved"), FEEDS, of.head), flows, (0.4, 0.4, 0.2))


def _unmoved(story: _Story, solvents: Sequence[SolventBalance]) -> None:
    """What only stood there takes a line, not a page."""
    if solvents:
        story.heading(Phrase("Stood here, and nothing moved"), 2)
        masses, of = (
            MASSES.of(s.mass.closing for s in solvents),
            VOLUMES.of(s.volume.closing for s in solvents),
        )
        rows = [(s.name, masses.text(s.mass.closing), of.text(s.volume.closing)) for s in solvents]
        story.table((WHAT, masses.head, of.head), rows, (0.6, 0.2, 0.2))


def _rules(story: _Story, table: TermTable) -> None:
    story.heading(Phrase("Which movement feeds which term"), 2)
    merged: dict[Any, list[str]] = {}
    for ends, feed in sorted(table.feeds.items()):
        merged.setdefault(feed, []).append(pair_words(*ends))
    rows: list[tuple[str, str, str]] = [
        (
            Phrase.joined(pairs, by=", "),
            signed_words(feed.signed),
            Phrase("{words} ({source})", words=feed.words, source=feed.source),
        )
        for feed, pairs in merged.items()
    ]
    reused = signed_words((f"+{table.reuse.term}",))
    rows.append((Phrase("inside the stock"), reused, table.reuse.words))
    rows.append((Phrase("any other"), "", table.no_row["words"]))
    head = (Phrase("From and to"), FEEDS, Phrase("why, and by whom"))
    story.table(head, rows, (0.33, 0.17, 0.5))


def _signatures(story: _Story) -> None:
    story.heading(Phrase("Signed"), 2)
    line, day = "_" * 34, Phrase("Date")
    rows = [(who, line, day, "_" * 14) for who in (Phrase("Drawn up by"), Phrase("Supervisor"))]
    story.table(("", Phrase("name and signature"), "", ""), rows, (0.2, 0.45, 0.1, 0.25), above=18)


def _foot(title: str, say: Say) -> Any:
    def foot(canvas: Any, document: Any) -> None:
        canvas.saveState()
        canvas.setFont(FONT, 7)
        canvas.drawString(document.leftMargin, 28, title[:110])
        page = say(Phrase("page {number}", number=document.page))
        canvas.drawRightString(document.leftMargin + document.width, 28, page)
        canvas.restoreState()

    return foot
