"""A solvent balance as a table for spreadsheets (RFC 4180): exact figures, one line for each."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from io import StringIO

from inventory.rules.phrases import Phrase, Say
from recovery.rules.solvent_balance import Figures, Report, SolventBalance
from recovery.rules.solvent_balance_words import (
    APART_WORDS,
    FIGURE_WORDS,
    figures_of,
    grams,
    pair_words,
    period_words,
    signed_words,
)
from recovery.rules.solvent_terms import Term, TermTable
from recovery.rules.solvent_terms_words import kind_words

COLUMNS = ("part", "solvent", "code", "words", "mass_g", "volume_ml", "source")
ALL = Phrase("all solvents")
# What a spreadsheet would take for a formula is led by an apostrophe (OWASP, "CSV injection").
RISKY = ("=", "+", "-", "@", "\t", "\r")
# Of a row, what is said in the reader's language; the others are for programs and the same in any.
SAID = (COLUMNS.index("solvent"), COLUMNS.index("words"), COLUMNS.index("source"))
Row = tuple[str, ...]


def balance_csv(
    report: Report, table: TermTable, *, lab: str, cautions: Iterable[str], say: Say = str
) -> bytes:
    """UTF-8 text with a header. part: period, figure, stock, flow, apart, rule or caution.

    say: says the words in a language. Codes and numbers are the same in any; where English reads a code as
    words, another language has its own in front of the words of the row.
    """
    out = StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    names = {term.term: term for term in table.terms}
    period = Phrase("{lab}: {period}", lab=lab, period=period_words(report))
    rows: list[Row] = [("period", "", "", period, "", "", table.source)]
    rows += _figures("figure", ALL, report.total, None, names)
    for solvent in report.solvents:
        rows += _figures("figure", solvent.name, solvent.mass, solvent.volume, names)
        rows += _stock_and_flows(solvent, say)
    rows += [("apart", ALL, code, APART_WORDS[code], grams(ng), "", "") for code, ng in report.apart.items()]
    rows += _rules(table, say)
    rows += [("caution", "", "", words, "", "", "") for words in cautions]
    for row in rows:
        said = [say(text) if place in SAID else text for place, text in enumerate(row)]
        writer.writerow([*map(harmless, said[:4]), *said[4:6], harmless(said[6])])
    return out.getvalue().encode()


def _rules(table: TermTable, say: Say) -> Iterator[Row]:
    for ends, feed in sorted(table.feeds.items()):
        words = Phrase("{terms}: {words}", terms=signed_words(feed.signed), words=feed.words)
        pair = pair_words(*ends)
        yield "rule", "", str(pair), _led(pair, words, say), "", "", feed.source
    inside = Phrase("inside the stock")
    yield "rule", "", str(inside), _led(inside, table.reuse.words, say), "", "", table.reuse.source


def _led(code: str, words: str, say: Say) -> str:
    """The words of a row, after what its code says where that is another language's words too."""
    return words if say is str else Phrase("{place}: {words}", place=code, words=words)


def harmless(text: str) -> str:
    """Text that no spreadsheet carries out."""
    return f"'{text}" if text.startswith(RISKY) else text


def _figures(
    part: str, name: str, mass: Figures, volume: Figures | None, names: dict[str, Term]
) -> Iterator[Row]:
    volumes = dict(figures_of(volume)) if volume else {}
    for code, mass_ng in figures_of(mass):
        words = FIGURE_WORDS.get(code) or names[code].words
        source = names[code].source if code in names else ""
        held = millilitres(volumes[code]) if code in volumes else ""
        yield part, name, code, words, grams(mass_ng), held, source
    share = mass.fugitive_share
    told = Phrase("F / (I1 + I2): none")
    if share is not None:
        told = Phrase("F / (I1 + I2): {share}", share=str(share))
    yield part, name, "fugitive_share", told, "", "", ""


def _stock_and_flows(solvent: SolventBalance, say: Say) -> Iterator[Row]:
    factor = solvent.ng_per_ul
    for kind, ends in solvent.stock.items():
        for when, ul in zip(("opening", "closing"), ends, strict=True):
            words = when if say is str else _led(kind_words(kind), FIGURE_WORDS[when], say)
            yield "stock", solvent.name, kind, words, grams(ul * factor), millilitres(ul), ""
    for flow in solvent.flows:
        pair = pair_words(flow.source, flow.destination)
        words = _led(pair, signed_words(flow.terms), say)
        moved = grams(flow.mass_ng), millilitres(flow.volume_ul)
        yield "flow", solvent.name, str(pair), words, *moved, ""


def millilitres(volume_ul: int) -> str:
    """Exact decimal text in mL."""
    whole, rest = divmod(abs(volume_ul), 1000)
    text = f"{whole}.{rest:03d}".rstrip("0").rstrip(".") if rest else str(whole)
    return f"-{text}" if volume_ul < 0 else text
