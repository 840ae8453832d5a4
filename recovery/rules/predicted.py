"""Predicted losses of one solvent in one run: each with formula, inputs, assumptions and sources.

A fact that was not told is never a silent zero: its term says so and has no value, or stands on a range
that is named as an assumption. Coefficients fitted from a lab's own runs take the place of the terms whose
drivers they use, once somebody has put them into use, and the prediction names the fit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot

from inventory.rules.phrases import Phrase
from recovery.rules.fact_words import named
from recovery.rules.predicted_terms import Ask, Input, Term, Told
from recovery.rules.predicted_vapour import open_vessels, past_the_condenser, venting
from recovery.rules.predicted_vessels import apparatus_hold_up, bed, heel, product, wetting
from recovery.rules.predicted_water import water_phase, water_taken_up

__all__ = ["NOT_FITTED", "Ask", "Input", "Prediction", "Term", "Told", "predict"]

#: what is put somewhere on purpose, so that no fit looks for it: a loss that is fitted is without it
NOT_FITTED = ("waste-container", "waste-contractor", "still-residue", "product", "reaction")


@dataclass(frozen=True, slots=True)
class Prediction:
    """terms: in the order of a run. total_ul, u_total_ul: of the terms that count and have a value.

    missing: facts that would give a value to those that have none.
    """

    terms: tuple[Term, ...]
    total_ul: int
    u_total_ul: int
    missing: tuple[str, ...] = ()
    fit: str = ""

    def booked(self, named_ul: Mapping[str, int]) -> Prediction:
        """The same where no loss counts twice: terms go whose loss was measured and booked to their place.

        named_ul: kind of place → what was booked there. A fit tells all losses but those of NOT_FITTED
        together, so what was booked of them is taken off it.
        """
        if not self.fit:
            return totalled([t for t in self.terms if not t.place or t.place not in named_ul])
        off_ul = min(self.total_ul, sum(ul for kind, ul in named_ul.items() if kind not in NOT_FITTED))
        if off_ul <= 0:
            return self
        words = Phrase("of these, measured and booked already")
        booked = Term("booked", words, "fitted", -off_ul, formula=Phrase("what was booked"))
        return replace(self, terms=(*self.terms, booked), total_ul=self.total_ul - off_ul)


def predict(ask: Ask, *, setschenow_l_per_mol: float | None = None) -> Prediction:
    """All terms that belong to a run of its kind."""
    terms = (
        water_phase(ask, setschenow_l_per_mol=setschenow_l_per_mol),
        water_taken_up(ask),
        venting(ask),
        open_vessels(ask),
        past_the_condenser(ask),
        heel(ask),
        wetting(ask),
        apparatus_hold_up(ask),
        product(ask),
        bed(ask),
    )
    return totalled([_with_defaults(term, ask) for term in terms if term is not None])


#: which facts a term may rest on
TERM_FACTS = {
    "water-phase": ("water-phases", "water-temperature", "salting", "salt-concentration"),
    "water-taken-up": ("water-temperature",),
    "venting": ("contacts", "room-temperature"),
    "open-vessels": ("open-time", "open-area", "room-temperature"),
    "condenser": ("coolant-temperature", "take-over-time", "gas-volume", "pressure", "room-temperature"),
    "wetting": ("transfers", "wetted-volume"),
    "product": ("product-mass", "product-hold-up"),
    "bed": ("bed-volume",),
}


def _with_defaults(term: Term, ask: Ask) -> Term:
    """A term that rests on what its kind suggests is an assumption, and says so."""
    taken = ask.taken(TERM_FACTS.get(term.code, ()))
    if not taken or term.value_ul is None:
        return term
    said = tuple(Phrase("{key} not told: taken as the kind of run suggests", key=named(key)) for key in taken)
    return replace(term, state="assumed", assumptions=(*said, *term.assumptions))


def totalled(terms: Sequence[Term]) -> Prediction:
    """Terms with their sum; uncertainties in quadrature (JCGM 100:2008 5.1.2), as if they shared nothing."""
    counted = [term for term in terms if term.counts and term.value_ul is not None]
    missing = dict.fromkeys(key for term in terms for key in term.missing)
    return Prediction(
        tuple(terms),
        sum(term.value_ul or 0 for term in counted),
        round(hypot(*(float(term.u_ul) for term in counted))),
        tuple(missing),
    )
