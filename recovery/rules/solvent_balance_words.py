"""What is said with a solvent balance, wherever it is shown: names of lines, cautions, numbers as text."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal

from inventory.rules.phrases import Figure, Phrase
from recovery.rules.solvent_balance import NG_PER_G, Figures, Report
from recovery.rules.solvent_terms import OUTPUTS
from recovery.rules.solvent_terms_words import kind_words

TITLE = Phrase("Solvent balance")
# Of a file: ASCII in any language, as some programs take no other names.
FILE_NAME, EVERY_MONTH = Phrase("solvent-balance"), Phrase("all")
APART_WORDS = {
    "unaccounted": Phrase("Missing, and nobody can name why (within O9)"),
    "count-difference": Phrase("Counts that found less than recorded (within O9)"),
    "still-residue": Phrase("Left in still residue that no record says was collected (within O9)"),
    "found-in-runs": Phrase("More came back from runs than went in (within I1)"),
    "found-by-counting": Phrase("Counts that found more than recorded (within I1)"),
    "waste-of-unknown-origin": Phrase("Waste of solvent that the records did not know (within I1 and O6)"),
    "no-row": Phrase("Movements that no row of the table names"),
}
FIGURE_WORDS = {
    "opening": Phrase("Opening stock"),
    "brought_in": Phrase("Came in"),
    "closing": Phrase("Closing stock"),
    "consumption": Phrase("Consumption C = I1 - O8"),
    "fugitive": Phrase("Fugitive emission F = I1 - O1 - O5 - O6 - O7 - O8"),
    "fugitive_direct": Phrase("Fugitive emission F = O2 + O3 + O4 + O9"),
    "difference": Phrase("Difference between the two"),
    "emission": Phrase("Total emission E = F + O1"),
}
CAUTIONS = (
    Phrase(
        "This adds up what was recorded. Whether a law applies here, and which limits, your authority and "
        "licensed practice say."
    ),
    Phrase("What no record shows to be captured counts as fugitive, the worse."),
    Phrase(
        "O1, O7 and O8 are zero by themselves: no place here stands for a stack, for solvent that is sold, "
        "or for solvent handed on for reuse elsewhere."
    ),
    Phrase(
        "Volumes count as pure solvent at 20 °C, masses by the density on record: water or inhibitor in it "
        "counts as solvent."
    ),
)
SOURCES = (
    Phrase("Directive 2010/75/EU Annex VII Part 7, legislation.gov.uk/eudr/2010/75/annex/VII/part/7"),
    Phrase("Dutch InfoMil 3.2: consumption C = I1 - O8; the inner loop"),
    Phrase("evocs.org: I1 = opening stock + purchases - closing stock"),
    Phrase("Terms O5 to O9 and the two ways to F: Annex VII Part 7, from memory"),
)


def cautions(report: Report, *, today: date) -> list[str]:
    """What should be read with the figures. today: in the lab's zone."""
    found: list[str] = list(CAUTIONS)
    if report.until is None or report.until >= today.replace(day=1):
        found.append(Phrase("The last month is not over: more may be booked in it."))
    if report.since is None:
        found.append(Phrase("From the first record on: what stood here before is counted as brought in."))
    below = [term for term in OUTPUTS if any(s.mass.outputs[term] < 0 for s in report.solvents)]
    if below:
        found.append(
            Phrase(
                "{terms} below zero: more was put back in this period than had been booked out in it.",
                terms=_and(below),
            )
        )
    if report.total.difference:
        found.append(Phrase("The two ways to F differ: the balance does not close, and cannot be relied on."))
    return found


def _and(names: list[str]) -> str:
    """As "O2 and O3 and O4"."""
    said: str = names[0]
    for name in names[1:]:
        said = Phrase("{one} and {other}", one=said, other=name)
    return said


def figures_of(figures: Figures) -> Iterator[tuple[str, int]]:
    """Code → value of every line of a balance, in the order in which it is read."""
    yield "opening", figures.opening
    yield "brought_in", figures.brought_in
    yield "closing", figures.closing
    yield "I1", figures.i1
    yield "I2", figures.i2
    yield from ((term, figures.outputs[term]) for term in OUTPUTS)
    yield "consumption", figures.consumption
    yield "fugitive", figures.fugitive
    yield "fugitive_direct", figures.fugitive_direct
    yield "difference", figures.difference
    yield "emission", figures.emission


def grams(mass_ng: int) -> str:
    """Exact decimal text in g."""
    text = format(Decimal(mass_ng) / NG_PER_G, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def grams_rounded(mass_ng: int) -> str:
    """To 1 mg, for paper."""
    return format((Decimal(mass_ng) / NG_PER_G).quantize(Decimal("0.001"), ROUND_HALF_EVEN), "f")


def month_text(month: date | None) -> str | None:
    return None if month is None else f"{month:%Y-%m}"


def period_words(report: Report) -> Phrase:
    """As "2026-01 to 2026-12"."""
    since = month_text(report.since) or Phrase("first record")
    return Phrase("{since} to {until}", since=since, until=month_text(report.until) or Phrase("now"))


def signed_words(terms: tuple[str, ...]) -> Phrase:
    """("+O6", "-O3") as "adds to O6, taken off O3", which no spreadsheet takes for a formula."""
    if not terms:
        return Phrase("nothing")
    return Phrase.joined(map(_signed, terms), by=", ")


def _signed(term: str) -> Phrase:
    if term[0] == "+":
        return Phrase("adds to {term}", term=term[1:])
    return Phrase("taken off {term}", term=term[1:])


def pair_words(source: str, destination: str) -> Phrase:
    """As "run to waste-container"."""
    return Phrase("{source} to {destination}", source=kind_words(source), destination=kind_words(destination))


def figure(text: str) -> Phrase:
    """Decimal text for a person: another language changes its mark alone."""
    return Phrase("{figure}", figure=Figure(float(text), text))
