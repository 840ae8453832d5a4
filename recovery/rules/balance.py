"""The balance of one solvent in one run: what went in, what came back, where it went, what is not explained.

Volumes are whole µl and add up exactly, whatever was booked:
charged = solvent returned + water in the returns + held + named + remainder, where the last is what nobody
could name. The water that was booked as solvent is missing as solvent, so
unexplained = remainder + water in the returns. Uncertainties by `amounts`: JCGM 100:2008, correlations kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import erfc, floor, isinf, sqrt
from typing import Literal

from inventory.rules.phrases import Phrase
from recovery.rules.amounts import SOURCES, Combined, Part, apart, combined
from recovery.rules.balance_words import expanded_words, remainder_words
from recovery.rules.student import t_within
from recovery.rules.wet_returns import WaterShare, parted

__all__ = ["Balance", "Code", "Measured", "Named", "Return", "balance", "significance"]

Code = Literal["unexplained-loss", "unexplained-gain", "within-uncertainty", "still-open"]
Measured = Sequence[Part]
NOT_WORTH_TELLING = 0.05
STILL_OPEN = Phrase("still open: what is missing shows when it is closed")


@dataclass(frozen=True, slots=True)
class Named:
    """Amounts that went somewhere known: kind names the place, as “waste-container” or “water-layer”."""

    kind: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Return:
    """One return as booked, what is taken for its water, and whether it was weighed."""

    part: Part
    water: WaterShare
    weighed: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the balance."""

    code: str
    words: str
    amount: Combined


@dataclass(frozen=True, slots=True)
class Balance:
    """What one solvent did in one run; every amount with standard uncertainty and degrees of freedom.

    returned: as booked. solvent_returned, water: what that was. lost: charged less solvent returned less
    held. named: by kind of place. unexplained: lost less named. remainder_ul: what the ledger books as
    unaccounted. z, p: how many standard uncertainties the unexplained is from nothing, and how often chance
    alone would put it there or further (two-sided; Student's t where there are few degrees of freedom);
    None when u is 0.
    """

    charged: Combined
    returned: Combined
    water: Combined
    solvent_returned: Combined
    held: Combined
    named: tuple[Row, ...]
    lost: Combined
    unexplained: Combined
    remainder_ul: int
    code: Code
    words: str
    z: float | None
    p: float | None
    notes: tuple[str, ...] = ()
    sources: tuple[str, ...] = field(default=SOURCES)

    @property
    def flagged(self) -> bool:
        """Whether the unexplained lies beyond its expanded uncertainty."""
        return self.code in ("unexplained-loss", "unexplained-gain")

    @property
    def closes(self) -> bool:
        """Whether all volumes add up, to the µl."""
        named = sum(row.amount.volume_ul for row in self.named)
        out = self.solvent_returned.volume_ul + self.water.volume_ul + self.held.volume_ul + named
        return self.charged.volume_ul == out + self.remainder_ul


ANOTHER_PIECE = Phrase(
    "read with another piece of the same name each time, the unexplained would be {amount}"
)
ANOTHER_PIECE_BEYOND = Phrase(
    "read with another piece of the same name each time, the unexplained would be {amount}, which is "
    "beyond it"
)
ANOTHER_PIECE_WITHIN = Phrase(
    "read with another piece of the same name each time, the unexplained would be {amount}, which is not "
    "beyond it"
)
KIND_WORDS: dict[str, str] = {
    "waste-container": Phrase("put into waste containers"),
    "waste-contractor": Phrase("taken by the waste contractor"),
    "water-layer": Phrase("left in the water layer"),
    "air": Phrase("lost to the air"),
    "still-residue": Phrase("left in the still"),
    "product": Phrase("left in the product"),
    "reaction": Phrase("used up by the reaction"),
}


def balance(
    *,
    charged: Measured,
    returned: Sequence[Return],
    named: Sequence[Named] = (),
    held_ul: int = 0,
    density_kg_m3: float,
    is_open: bool = False,
) -> Balance:
    """Work a balance out. Volumes in µl at 20 °C; density_kg_m3 of the dry solvent at 20 °C.

    held_ul: what the records still have in the run, without an uncertainty of its own: it is a difference of
    what else was measured. is_open: the run may still give something back, so nothing is called missing yet.
    """
    split = [parted(r.part, r.water, density_kg_m3=density_kg_m3, weighed=r.weighed) for r in returned]
    solvent, water = [one for one, _ in split], [one for _, one in split]
    held = Part(held_ul)
    gone = [part for one in named for part in one.parts]
    plus = [(1, part) for part in charged]
    lost = combined([*plus, *_minus(solvent), (-1, held)])
    terms = [*plus, *_minus(solvent), (-1, held), *_minus(gone)]
    unexplained = combined(terms)
    code = _code(unexplained, is_open)
    z, p = significance(unexplained)
    waters = combined((1, part) for part in water)
    return Balance(
        charged=combined(plus),
        returned=combined((1, r.part) for r in returned),
        water=waters,
        solvent_returned=combined((1, part) for part in solvent),
        held=combined([(1, held)]),
        named=_rows(named),
        lost=lost,
        unexplained=unexplained,
        remainder_ul=unexplained.volume_ul - waters.volume_ul,
        code=code,
        words=STILL_OPEN if is_open else remainder_words(unexplained),
        z=z,
        p=p,
        notes=(*_notes([*charged, *solvent, *gone]), *_pieces(terms, unexplained)),
    )


def _minus(parts: Sequence[Part]) -> list[tuple[int, Part]]:
    return [(-1, part) for part in parts]


def _rows(named: Sequence[Named]) -> tuple[Row, ...]:
    return tuple(
        Row(one.kind, KIND_WORDS.get(one.kind, one.kind), combined((1, part) for part in one.parts))
        for one in named
    )


def _code(unexplained: Combined, is_open: bool) -> Code:
    if is_open:
        return "still-open"
    if not unexplained.beyond:
        return "within-uncertainty"
    return "unexplained-loss" if unexplained.volume_ul > 0 else "unexplained-gain"


def significance(found: Combined) -> tuple[float | None, float | None]:
    """(z, two-sided p) of a value against nothing; (None, None) when nothing is uncertain."""
    if found.u_ul == 0:
        return None, None
    z = found.volume_ul / found.u_ul
    if isinf(found.dof):
        return z, erfc(abs(z) / sqrt(2))
    return z, 1 - t_within(abs(z), max(1, floor(found.dof + 1e-9)))


def _pieces(terms: Sequence[tuple[int, Part]], unexplained: Combined) -> tuple[str, ...]:
    """What it would be if the same name did not mean the same piece, where that matters."""
    other = combined((sign, apart(part)) for sign, part in terms)
    if abs(other.u_ul - unexplained.u_ul) <= NOT_WORTH_TELLING * unexplained.u_ul:
        return ()
    amount = expanded_words(other)
    if other.beyond == unexplained.beyond:
        words = ANOTHER_PIECE
    else:
        words = ANOTHER_PIECE_BEYOND if other.beyond else ANOTHER_PIECE_WITHIN
    return (Phrase(words, amount=amount),)


def _notes(parts: Sequence[Part]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(note for part in parts for note in part.notes))
