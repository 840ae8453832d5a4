"""A solvent balance as a table for spreadsheets (RFC 4180): exact figures, one line for each."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from io import StringIO

from recovery.rules.solvent_balance import Figures, Report, SolventBalance
from recovery.rules.solvent_balance_words import (
    APART_WORDS,
    FIGURE_WORDS,
    figures_of,
    grams,
    period_words,
    signed_words,
)
from recovery.rules.solvent_terms import Term, TermTable

COLUMNS = ("part", "solvent", "code", "words", "mass_g", "volume_ml", "source")
ALL = "all solvents"
# What a spreadsheet would take for a formula is led by an apostrophe (OWASP, "CSV injection").
RISKY = ("=", "+", "-", "@", "\t", "\r")


def balance_csv(report: Report, table: TermTable, *, lab: str, cautions: Iterable[str]) -> bytes:
    """UTF-8 text with a header. part: period, figure, stock, flow, apart, rule or caution."""
    out = StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    names = {term.term: term for term in table.terms}
    rows: list[tuple[str, ...]] = [("period", "", "", f"{lab}: {period_words(report)}", "", "", table.source)]
    rows += _figures("figure", ALL, report.total, None, names)
    for solvent in report.solvents:
        rows += _figures("figure", solvent.name, solvent.mass, solvent.volume, names)
        rows += _stock_and_flows(solvent)
    rows += [("apart", ALL, code, APART_WORDS[code], grams(ng), "", "") for code, ng in report.apart.items()]
    for (source, destination), feed in sorted(table.feeds.items()):
        words = f"{signed_words(feed.signed)}: {feed.words}"
        rows.append(("rule", "", f"{source} to {destination}", words, "", "", feed.source))
    rows.append(("rule", "", "inside the stock", table.reuse.words, "", "", table.reuse.source))
    rows += [("caution", "", "", words, "", "", "") for words in cautions]
    writer.writerows([*map(harmless, row[:4]), *row[4:6], harmless(row[6])] for row in rows)
    return out.getvalue().encode()


def harmless(text: str) -> str:
    """Text that no spreadsheet carries out."""
    return f"'{text}" if text.startswith(RISKY) else text


def _figures(
    part: str, name: str, mass: Figures, volume: Figures | None, names: dict[str, Term]
) -> Iterator[tuple[str, ...]]:
    volumes = dict(figures_of(volume)) if volume else {}
    for code, mass_ng in figures_of(mass):
        words = FIGURE_WORDS.get(code) or names[code].words
        source = names[code].source if code in names else ""
        held = millilitres(volumes[code]) if code in volumes else ""
        yield part, name, code, words, grams(mass_ng), held, source
    share = mass.fugitive_share
    yield part, name, "fugitive_share", f"F / (I1 + I2): {'none' if share is None else share}", "", "", ""


def _stock_and_flows(solvent: SolventBalance) -> Iterator[tuple[str, ...]]:
    factor = solvent.ng_per_ul
    for kind, ends in solvent.stock.items():
        for when, ul in zip(("opening", "closing"), ends, strict=True):
            yield "stock", solvent.name, kind, when, grams(ul * factor), millilitres(ul), ""
    for flow in solvent.flows:
        ends_text = f"{flow.source} to {flow.destination}"
        words = signed_words(flow.terms)
        yield "flow", solvent.name, ends_text, words, grams(flow.mass_ng), millilitres(flow.volume_ul), ""


def millilitres(volume_ul: int) -> str:
    """Exact decimal text in mL."""
    whole, rest = divmod(abs(volume_ul), 1000)
    text = f"{whole}.{rest:03d}".rstrip("0").rstrip(".") if rest else str(whole)
    return f"-{text}" if volume_ul < 0 else text
