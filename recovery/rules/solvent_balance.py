"""The solvent balance of a period in the terms of Directive 2010/75/EU Annex VII Part 7.

    I1 = opening stock + what came in - closing stock        consumption C = I1 - O8
    fugitive F = I1 - O1 - O5 - O6 - O7 - O8 = O2 + O3 + O4 + O9        total emission E = F + O1
    fugitive share = F / (I1 + I2)

Solvent worked up and used again in the same place is an inner loop: neither O8 nor new I1; each time it is
put back in it counts as I2. Sources: the Directive's Part 7 on legislation.gov.uk; Dutch InfoMil 3.2
(consumption, inner loop); evocs.org (I1 with stock); O5 to O9 and the formulas of F from memory.

Everything is counted in whole units: volumes in microlitres at 20 °C, masses in nanograms, since a volume in
µl times a density in kg/m³ of three decimals is a whole number of ng. So it closes exactly or not at all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from recovery.rules.solvent_terms import OUTPUTS, TermTable

NG_PER_G = 10**9
SHARE_STEP = Decimal("0.0001")
CAPTURED = ("O1", "O5", "O6", "O7", "O8")
FUGITIVE = ("O2", "O3", "O4", "O9")


@dataclass(frozen=True, slots=True)
class Cell:
    """What moved between two kinds of place, in µl; never below zero."""

    source: str
    destination: str
    volume_ul: int


@dataclass(frozen=True)
class SolventFlows:
    """One solvent: what stood where before, by kind of place, and what moved in the period.

    reused_ul: recovered solvent that was put back in. density_kg_m3: at 20 °C, at most three decimals.
    """

    key: str
    name: str
    density_kg_m3: Decimal
    before: tuple[Cell, ...] = ()
    cells: tuple[Cell, ...] = ()
    reused_ul: int = 0


@dataclass(frozen=True)
class Figures:
    """A balance in one whole unit (µl or ng). brought_in: all that fed I1 in the period."""

    opening: int = 0
    closing: int = 0
    brought_in: int = 0
    i2: int = 0
    outputs: Mapping[str, int] = field(default_factory=lambda: dict.fromkeys(OUTPUTS, 0))

    @property
    def i1(self) -> int:
        return self.opening + self.brought_in - self.closing

    @property
    def consumption(self) -> int:
        return self.i1 - self.outputs["O8"]

    @property
    def fugitive(self) -> int:
        """By what is left over: I1 less all that is captured."""
        return self.i1 - sum(self.outputs[term] for term in CAPTURED)

    @property
    def fugitive_direct(self) -> int:
        """By adding up the releases."""
        return sum(self.outputs[term] for term in FUGITIVE)

    @property
    def difference(self) -> int:
        """Between the two ways to the fugitive emission; zero, or the balance does not close."""
        return self.fugitive - self.fugitive_direct

    @property
    def emission(self) -> int:
        return self.fugitive + self.outputs["O1"]

    @property
    def fugitive_share(self) -> Decimal | None:
        """F over I1 + I2, to four decimals; None when nothing was put in."""
        put_in = self.i1 + self.i2
        return (Decimal(self.fugitive) / put_in).quantize(SHARE_STEP) if put_in > 0 else None

    def times(self, factor: int) -> Figures:
        """In another unit."""
        return Figures(
            factor * self.opening,
            factor * self.closing,
            factor * self.brought_in,
            factor * self.i2,
            {term: factor * value for term, value in self.outputs.items()},
        )


@dataclass(frozen=True, slots=True)
class PairFlow:
    """One pair of kinds of place in the period, and what it feeds. apart: as in `solvent_terms.Feed`."""

    source: str
    destination: str
    volume_ul: int
    mass_ng: int
    terms: tuple[str, ...]
    words: str
    apart: str


@dataclass(frozen=True)
class SolventBalance:
    """The balance of one solvent. stock: kind of place → (opening, closing) in µl, waste containers too."""

    key: str
    name: str
    density_kg_m3: Decimal
    volume: Figures
    mass: Figures
    flows: tuple[PairFlow, ...]
    stock: Mapping[str, tuple[int, int]]

    @property
    def ng_per_ul(self) -> int:
        return ng_per_ul(self.density_kg_m3)


@dataclass(frozen=True)
class Report:
    """All solvents of a period of whole months. total: in ng, since volumes of unlike solvents do not add."""

    since: date | None
    until: date | None
    solvents: tuple[SolventBalance, ...]
    total: Figures
    apart: Mapping[str, int]


def report(
    flows: Iterable[SolventFlows], table: TermTable, *, since: date | None = None, until: date | None = None
) -> Report:
    """The balance of a period from what moved in it. since, until: first days of months, both included."""
    solvents = tuple(balance_of(each, table) for each in flows)
    apart: dict[str, int] = defaultdict(int)
    for solvent in solvents:
        for flow in solvent.flows:
            if flow.apart:
                apart[flow.apart] += _sense(flow) * flow.mass_ng
    return Report(since, until, solvents, total_of(solvent.mass for solvent in solvents), dict(apart))


def _sense(flow: PairFlow) -> int:
    """A line apart adds up what went one way less what was put back."""
    return -1 if flow.terms and all(term.startswith("-") for term in flow.terms) else 1


def balance_of(flows: SolventFlows, table: TermTable) -> SolventBalance:
    """One solvent's balance. Raises ValueError when the density has more than three decimals."""
    factor = ng_per_ul(flows.density_kg_m3)
    fed: dict[str, int] = defaultdict(int)
    pairs = []
    opening = closing = _standing(flows.before, table)
    for cell in flows.cells:
        feed = table.feed(cell.source, cell.destination)
        closing += table.change(cell.source, cell.destination) * cell.volume_ul
        for term, sign in feed.terms:
            fed[term] += sign * cell.volume_ul
        mass_ng = factor * cell.volume_ul
        pairs.append(
            PairFlow(
                cell.source,
                cell.destination,
                cell.volume_ul,
                mass_ng,
                feed.signed,
                feed.words,
                feed.apart,
            )
        )
    outputs = {term: fed[term] for term in OUTPUTS}
    volume = Figures(opening, closing, fed["I1"], flows.reused_ul, outputs)
    return SolventBalance(
        flows.key,
        flows.name,
        flows.density_kg_m3,
        volume,
        volume.times(factor),
        tuple(pairs),
        _stock(flows, table),
    )


def _standing(cells: Iterable[Cell], table: TermTable) -> int:
    return sum(table.change(cell.source, cell.destination) * cell.volume_ul for cell in cells)


def _stock(flows: SolventFlows, table: TermTable) -> dict[str, tuple[int, int]]:
    """What stood in each kind of place at the two ends of the period."""
    kinds = [*sorted(table.stock), "waste-container"]
    before, during = _held(flows.before), _held(flows.cells)
    found = {kind: (before[kind], before[kind] + during[kind]) for kind in kinds}
    return {kind: ends for kind, ends in found.items() if any(ends)}


def _held(cells: Iterable[Cell]) -> dict[str, int]:
    held: dict[str, int] = defaultdict(int)
    for cell in cells:
        held[cell.source] -= cell.volume_ul
        held[cell.destination] += cell.volume_ul
    return held


def total_of(figures: Iterable[Figures]) -> Figures:
    """The sum of several balances in one unit."""
    opening = closing = brought_in = i2 = 0
    outputs = dict.fromkeys(OUTPUTS, 0)
    for each in figures:
        opening, closing = opening + each.opening, closing + each.closing
        brought_in, i2 = brought_in + each.brought_in, i2 + each.i2
        for term in OUTPUTS:
            outputs[term] += each.outputs[term]
    return Figures(opening, closing, brought_in, i2, outputs)


def ng_per_ul(density_kg_m3: Decimal) -> int:
    """Nanograms in a microlitre: 1000 times the density in kg/m³ (1 µl · 1 kg/m³ = 1 µg), a whole number.

    Raises ValueError for a density that is not above zero or has more than three decimals.
    """
    whole = density_kg_m3 * 1000
    if whole <= 0 or whole != int(whole):
        raise ValueError("a density above zero with at most three decimals is needed")
    return int(whole)


def no_air_interface_limit_kg(volume_m3: float) -> float:
    """Solvent that a cleaning machine without an interface to air may lose in a month, in kg.

    330 · V^0.6 with the machine's volume in m³: 40 CFR 63.464, Table 5. Raises ValueError for a volume
    that is not above zero.
    """
    if not volume_m3 > 0:
        raise ValueError("a volume above zero is needed")
    return float(330 * volume_m3**0.6)
