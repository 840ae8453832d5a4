"""In which unit the figures of one table on paper stand: one for all of them, by the largest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from inventory.rules.phrases import Phrase
from recovery.rules.solvent_balance_csv import millilitres
from recovery.rules.solvent_balance_words import figure, grams_rounded

__all__ = ["MASSES", "VOLUMES", "PaperUnit", "PaperUnits"]

NOTHING = Phrase("nothing")
LEAST = Decimal("0.001")


@dataclass(frozen=True)
class PaperUnit:
    """A unit with the heads of its columns. size: in ng or µL. ends: heads of opening and closing stock."""

    name: str
    size: int
    head: Phrase
    ends: tuple[Phrase, ...] = ()

    def text(self, amount: int) -> Phrase:
        """What a cell says: nothing in words, else the figure; what is there is never shown as nothing."""
        if not amount:
            return NOTHING
        if self.name == "mL":
            return figure(millilitres(amount))
        if self.name == "g":
            told = grams_rounded(amount)
        else:
            told = format((Decimal(amount) / self.size).quantize(LEAST, ROUND_HALF_EVEN), "f")
        if not Decimal(told):
            least = figure(format(LEAST, "f"))
            return (
                Phrase("below {least}", least=least) if amount > 0 else Phrase("above −{least}", least=least)
            )
        return figure(told)

    def length(self, amount: int) -> float:
        """For a bar, which cannot be shorter than nothing."""
        return max(amount, 0) / self.size


@dataclass(frozen=True)
class PaperUnits:
    """A small unit, and a large one from so much on."""

    small: PaperUnit
    large: PaperUnit
    from_larges: int = 10

    def of(self, amounts: Iterable[int]) -> PaperUnit:
        """The unit of a table with these amounts, in ng or µL."""
        largest = max(map(abs, amounts), default=0)
        return self.large if largest >= self.from_larges * self.large.size else self.small


MASSES = PaperUnits(
    PaperUnit("g", 10**9, Phrase("mass, g")),
    PaperUnit("kg", 10**12, Phrase("mass, kg")),
)
VOLUMES = PaperUnits(
    PaperUnit("mL", 10**3, Phrase("volume, mL"), (Phrase("opening, mL"), Phrase("closing, mL"))),
    PaperUnit("L", 10**6, Phrase("volume, L"), (Phrase("opening, L"), Phrase("closing, L"))),
)
