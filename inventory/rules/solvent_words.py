"""Names of the shipped solvents and why each has its class, kept as data: here translators find them.

A name missing here is shown in English; a test holds this list to `solvents.csv`. A lab's own names are no
phrases and stay as they were typed.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from inventory.rules.phrases import Phrase

__all__ = ["BASES", "SHIPPED_NAMES", "Keyed", "basis_words", "solvent_words"]

SHIPPED_NAMES: Mapping[str, Phrase] = MappingProxyType(
    {
        str(name): name
        for name in (
            Phrase("acetone"),
            Phrase("acetonitrile"),
            Phrase("1-butanol"),
            Phrase("2-butanol"),
            Phrase("2-butanone"),
            Phrase("tert-butyl methyl ether"),
            Phrase("n-butyl acetate"),
            Phrase("chloroform"),
            Phrase("cyclohexane"),
            Phrase("cyclohexene"),
            Phrase("cyclopentyl methyl ether"),
            Phrase("dichloromethane"),
            Phrase("diethyl ether"),
            Phrase("diisopropyl ether"),
            Phrase("1,2-dimethoxyethane"),
            Phrase("N,N-dimethylformamide"),
            Phrase("dimethyl sulfoxide"),
            Phrase("1,4-dioxane"),
            Phrase("ethanol"),
            Phrase("ethyl acetate"),
            Phrase("n-heptane"),
            Phrase("n-hexane"),
            Phrase("methanol"),
            Phrase("2-methyltetrahydrofuran"),
            Phrase("4-methyl-2-pentanone"),
            Phrase("n-pentane"),
            Phrase("1-propanol"),
            Phrase("2-propanol"),
            Phrase("pyridine"),
            Phrase("tetrahydrofuran"),
            Phrase("toluene"),
            Phrase("o-xylene"),
            Phrase("m-xylene"),
            Phrase("p-xylene"),
            Phrase("acetic acid"),
            Phrase("isooctane"),
            Phrase("water"),
            Phrase("petroleum ether 40-60"),
        )
    }
)


#: why a shipped solvent has its peroxide class, and what is said of one that nobody has judged
BASES: Mapping[str, Phrase] = MappingProxyType(
    {
        str(basis): basis
        for basis in (
            Phrase("Cornell App. J and Princeton EHS lists (after Kelly 1996)"),
            Phrase(
                "not listed; a mixture, so the supplier's sheet decides; quoted from memory without a page"
            ),
            Phrase("nothing is recorded about peroxides: treated as the worst until a person decides"),
            Phrase(
                'recorded as "B (by analogy with THF; not named in Kelly list)"; recorded as B by '
                "analogy with THF; not named in the Kelly list; Cornell App. J and Princeton EHS lists "
                "(after Kelly 1996)"
            ),
            Phrase(
                'recorded as "none (forms phosgene, not peroxide)"; forms phosgene, not peroxide; '
                "Cornell App. J and Princeton EHS lists (after Kelly 1996)"
            ),
            Phrase(
                'recorded as "none in Kelly list (some sites list it)"; not in the Kelly list, but '
                "recorded as listed by some sites: treated as a former; Cornell App. J and Princeton EHS "
                "lists (after Kelly 1996)"
            ),
            Phrase(
                'recorded as "none listed (primary alcohol)"; primary alcohol, not listed; Cornell App. '
                "J and Princeton EHS lists (after Kelly 1996)"
            ),
            Phrase(
                'recorded as "none listed"; not listed; Cornell App. J and Princeton EHS lists (after '
                "Kelly 1996)"
            ),
            Phrase(
                'recorded as "slow; not in Kelly A-C, some sites list as D"; recorded as "slow; some '
                'sites list as D": treated as a former; Cornell App. J and Princeton EHS lists (after '
                "Kelly 1996)"
            ),
            Phrase(
                'recorded as "slow; not in Kelly list, treat as B/D"; recorded as "slow, treat as B/D": '
                "the worse of the two is used; Cornell App. J and Princeton EHS lists (after Kelly 1996)"
            ),
        )
    }
)


class Keyed(Phrase):
    """A shipped solvent that programs read as its key and people as its name."""

    def __new__(cls, key: str, name: str = "") -> Keyed:
        made = str.__new__(cls, key)
        made.template, made.parts = name or key, {}
        return made


def solvent_words(name: str) -> str:
    """The same name, as a phrase where it is that of a shipped solvent."""
    return SHIPPED_NAMES.get(name, name)


def basis_words(basis: str) -> str:
    """Why a solvent has its peroxide class, as a phrase where the catalogue says it."""
    return BASES.get(basis, basis)
