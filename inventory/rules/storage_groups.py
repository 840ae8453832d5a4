"""What should not stand beside what, or be put together as waste, by plain groups kept as data.

A liquid that is in no group is not harmless: nobody has said what it goes with, so it is taken to need a
place of its own.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from inventory.rules.phrases import Phrase
from inventory.rules.table_words import table_words

Bond = Literal["beside", "together"]
GROUPS_FILE = Path(__file__).parent.parent / "data" / "storage_groups.toml"
NOT_KNOWN = "groups-not-known"
NOT_KNOWN_SOURCE = Phrase("Nothing is recorded, so the worse is assumed (ours)")


@dataclass(frozen=True)
class Pair:
    """Two groups that should be kept apart, and how strictly."""

    groups: frozenset[str]
    effect: str
    words: str
    source: str


@dataclass(frozen=True)
class Clash:
    """Why two liquids should be kept apart. code: the two groups, or that nothing is known of one."""

    code: str
    effect: str
    words: str
    source: str


@dataclass(frozen=True)
class Groups:
    """names: group → words. solvents: catalogue key → its groups."""

    names: Mapping[str, str]
    solvents: Mapping[str, frozenset[str]]
    beside: tuple[Pair, ...]
    together: tuple[Pair, ...]

    def of(self, key: str, *, shipped: bool) -> frozenset[str] | None:
        """The groups of a solvent; None: nothing is known. A lab's own row never passes for a shipped one."""
        return self.solvents.get(key) if shipped else None


def clashes(
    groups: Groups, one: frozenset[str] | None, other: frozenset[str] | None, bond: Bond
) -> list[Clash]:
    """Why two liquids should not be side by side or together, refusals first; empty when nothing says so.

    None: of that one nothing is known.
    """
    if one is None or other is None:
        words = Phrase("Nobody has said what this goes with: let it stand apart, and ask.")
        if bond == "together":
            words = Phrase(
                "Nobody has said what this goes with: collect it in a container of its own, and ask."
            )
        return [Clash(NOT_KNOWN, "warn", words, NOT_KNOWN_SOURCE)]
    pairs = groups.beside if bond == "beside" else groups.together
    found = [
        Clash(" + ".join(sorted(pair.groups)), pair.effect, pair.words, pair.source)
        for pair in pairs
        if _meet(pair.groups, one, other)
    ]
    return sorted(found, key=lambda clash: clash.effect != "refuse")


def _meet(pair: frozenset[str], one: frozenset[str], other: frozenset[str]) -> bool:
    first, second = sorted(pair)
    return (first in one and second in other) or (second in one and first in other)


@cache
def load_groups() -> Groups:
    """The shipped grouping. Raises ValueError when a row names a group that is not listed."""
    table = tomllib.loads(GROUPS_FILE.read_text(encoding="utf-8"))
    names = {row["key"]: row["name"] for row in table["groups"]}
    solvents = {key: frozenset(found) for key, found in table["solvents"].items()}
    strange = set().union(*solvents.values()) - names.keys()
    if strange:
        raise ValueError(f"groups that are not listed: {sorted(strange)}")
    return Groups(names, solvents, _pairs(table["beside"], names), _pairs(table["together"], names))


def _pairs(rows: Iterable[Mapping[str, Any]], names: Mapping[str, str]) -> tuple[Pair, ...]:
    found = tuple(Pair(frozenset(r["pair"]), r["effect"], table_words(r["words"]), r["source"]) for r in rows)
    for pair in found:
        if len(pair.groups) != 2 or not pair.groups <= names.keys() or pair.effect not in ("warn", "refuse"):
            raise ValueError(f"a pair of two listed groups is needed: {sorted(pair.groups)}")
    return found
