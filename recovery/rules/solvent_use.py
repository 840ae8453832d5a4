"""How a solvent goes round: turnover, what is recycled, what must be made up, what recovering it spares."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal

from recovery.rules.solvent_balance import Cell
from recovery.rules.solvent_terms import OUTPUTS, TermTable

UL_PER_L = 1_000_000
RATIO_STEP, MONEY_STEP = Decimal("0.0001"), Decimal("0.01")
CONTAINER, RUN = "container", "run"
# What leaves a bottle without having been put to use.
NOT_USED = ("waste-container", "waste-contractor", "count-difference", "before-counting")
SPARED = (
    "Recovered solvent put back in takes the place of as much that would have been bought and, used up, "
    "thrown away. What recovering itself costs (heat, time, tests) is not taken off."
)


@dataclass(frozen=True, slots=True)
class Month:
    """One month of a solvent, µl. used_up: new solvent that is gone (I1); standing: at its end."""

    month: date
    charged_ul: int
    drawn_ul: int
    returned_ul: int
    bought_ul: int
    used_up_ul: int
    reused_ul: int
    standing_ul: int


@dataclass(frozen=True, slots=True)
class Price:
    """What a litre costs from a day on; `waste_per_litre` None: not known."""

    since_on: date
    per_litre: Decimal
    waste_per_litre: Decimal | None
    currency: str


@dataclass(frozen=True, slots=True)
class Spared:
    """In one currency, to its hundredth; priced_ul: the part of what was put back in that had a price."""

    currency: str
    not_bought: Decimal
    not_thrown_away: Decimal
    priced_ul: int


@dataclass(frozen=True)
class Use:
    """A period of whole months. Ratios to four decimals; None where there is nothing to divide by."""

    months: tuple[Month, ...]

    def _sum(self, name: str) -> int:
        return sum(getattr(month, name) for month in self.months)

    @property
    def put_to_use_ul(self) -> int:
        return self._sum("charged_ul") + self._sum("drawn_ul")

    @property
    def charged_ul(self) -> int:
        return self._sum("charged_ul")

    @property
    def returned_ul(self) -> int:
        return self._sum("returned_ul")

    @property
    def bought_ul(self) -> int:
        return self._sum("bought_ul")

    @property
    def used_up_ul(self) -> int:
        return self._sum("used_up_ul")

    @property
    def reused_ul(self) -> int:
        return self._sum("reused_ul")

    @property
    def mean_standing_ul(self) -> int:
        return self._sum("standing_ul") // len(self.months) if self.months else 0

    @property
    def turnover(self) -> Decimal | None:
        """How many times what stands there was put to use in the period."""
        return ratio(self.put_to_use_ul, self.mean_standing_ul)

    @property
    def returned_fraction(self) -> Decimal | None:
        """Of what was charged to runs."""
        return ratio(self.returned_ul, self.charged_ul)

    @property
    def recycle_ratio(self) -> Decimal | None:
        """I2 / (I1 + I2): recovered solvent of all that was put in."""
        return ratio(self.reused_ul, self.used_up_ul + self.reused_ul)

    @property
    def make_up_ul(self) -> int:
        """New solvent that a month takes in the mean."""
        return self.used_up_ul // len(self.months) if self.months else 0


def ratio(part: int, whole: int) -> Decimal | None:
    return (Decimal(part) / whole).quantize(RATIO_STEP) if whole > 0 else None


def months_of(
    cells: Mapping[date, Iterable[Cell]],
    reused: Mapping[date, int],
    months: Sequence[date],
    table: TermTable,
    *,
    standing_ul: int,
) -> tuple[Month, ...]:
    """The months asked for, in order, empty ones too. standing_ul: in containers before them."""
    found = []
    for month in months:
        moved = list(cells.get(month, ()))
        standing_ul += sum(c.volume_ul for c in moved if c.destination == CONTAINER)
        standing_ul -= sum(c.volume_ul for c in moved if c.source == CONTAINER)
        found.append(
            Month(
                month,
                charged_ul=_between(moved, CONTAINER, RUN),
                drawn_ul=sum(c.volume_ul for c in moved if _is_draw(c, table)),
                returned_ul=_between(moved, RUN, CONTAINER),
                bought_ul=_between(moved, "supplier", CONTAINER) + _between(moved, "supplier", RUN),
                used_up_ul=_used_up(moved, table),
                reused_ul=reused.get(month, 0),
                standing_ul=standing_ul,
            )
        )
    return tuple(found)


def _between(cells: Iterable[Cell], source: str, destination: str) -> int:
    return sum(c.volume_ul for c in cells if (c.source, c.destination) == (source, destination))


def _is_draw(cell: Cell, table: TermTable) -> bool:
    ends_outside = cell.destination not in table.stock and cell.destination not in NOT_USED
    return cell.source == CONTAINER and ends_outside


def _used_up(cells: Iterable[Cell], table: TermTable) -> int:
    """All outputs: what must be bought to have as much again."""
    return sum(
        sign * cell.volume_ul
        for cell in cells
        for term, sign in table.feed(cell.source, cell.destination).terms
        if term in OUTPUTS
    )


def spared(months: Iterable[Month], prices: Sequence[Price]) -> list[Spared]:
    """What putting recovered solvent back in saved, by currency, each month at the price at its end.

    prices: oldest first. Months before the first price count nothing.
    """
    sums: dict[str, list[Decimal]] = {}
    volumes: dict[str, int] = {}
    for month in months:
        price = _price_in(month.month, prices)
        if price is None or not month.reused_ul:
            continue
        litres = Decimal(month.reused_ul) / UL_PER_L
        bought, thrown = sums.setdefault(price.currency, [Decimal(), Decimal()])
        sums[price.currency] = [
            bought + litres * price.per_litre,
            thrown + litres * (price.waste_per_litre or 0),
        ]
        volumes[price.currency] = volumes.get(price.currency, 0) + month.reused_ul
    return [
        Spared(currency, _money(bought), _money(thrown), volumes[currency])
        for currency, (bought, thrown) in sorted(sums.items())
    ]


def _money(value: Decimal) -> Decimal:
    return value.quantize(MONEY_STEP, ROUND_HALF_EVEN)


def _price_in(month: date, prices: Sequence[Price]) -> Price | None:
    """The newest that held before the next month began."""
    following = date(month.year + month.month // 12, month.month % 12 + 1, 1)
    holding = [price for price in prices if price.since_on < following]
    return holding[-1] if holding else None
