"""Which movement feeds which term of the solvent balance: read from data, refused where it would not close.

Terms and words: `recovery/data/solvent_balance.toml`, with the source of each row.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from recovery.rules.solvent_terms_words import of_the_file

INPUTS = ("I1", "I2")
OUTPUTS = ("O1", "O2", "O3", "O4", "O5", "O6", "O7", "O8", "O9")
TERMS = (*INPUTS, *OUTPUTS)
TERMS_FILE = Path(__file__).parent.parent / "data" / "solvent_balance.toml"

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Term:
    """One term in plain words, and where it is defined."""

    term: str
    words: str
    source: str


@dataclass(frozen=True, slots=True)
class Feed:
    """What a movement between two kinds of place adds to (+1) or takes off (-1) which term.

    apart: code of the line on which it is printed once more, "" for none.
    """

    terms: tuple[tuple[str, int], ...]
    words: str
    source: str
    apart: str = ""

    @property
    def signed(self) -> tuple[str, ...]:
        """As in the data: "+O4"."""
        return tuple(("+" if sign > 0 else "-") + term for term, sign in self.terms)


INNER = Feed(
    (),
    of_the_file("Inside the stock: stands or is at work here, before and after."),
    of_the_file("Dutch InfoMil 3.2"),
)


@dataclass(frozen=True)
class TermTable:
    """All of the data. `feed` answers for every pair of kinds of place."""

    source: str
    stock: frozenset[str]
    terms: tuple[Term, ...]
    reuse: Term
    feeds: Mapping[Pair, Feed]
    no_row: Mapping[str, str]

    def feed(self, source: str, destination: str) -> Feed:
        """What a movement from one kind of place to another feeds; one that no row names, the worse."""
        if source in self.stock and destination in self.stock:
            return INNER
        return self.feeds.get((source, destination)) or self._unnamed(source, destination)

    def _unnamed(self, source: str, destination: str) -> Feed:
        terms = []
        if source not in self.stock:
            terms.append((self.no_row["into_stock"], 1))
        if destination not in self.stock:
            terms.append((self.no_row["out_of_stock"], 1))
        return Feed(tuple(terms), self.no_row["words"], of_the_file("ours"), "no-row")

    def change(self, source: str, destination: str) -> int:
        """By how much of what moves the stock grows: 1, 0 or -1."""
        return (destination in self.stock) - (source in self.stock)


@cache
def load_terms() -> TermTable:
    """The shipped table. Raises ValueError where it would not close, or names what is no term."""
    return read_terms(tomllib.loads(TERMS_FILE.read_text(encoding="utf-8")))


def read_terms(document: Mapping[str, Any]) -> TermTable:
    """A table from its data as TOML gives it. Raises ValueError as `load_terms`, KeyError for a gap."""
    terms = tuple(map(_called, document["terms"]))
    if tuple(term.term for term in terms) != TERMS:
        raise ValueError(f"the terms {', '.join(TERMS)} are needed, in this order")
    table = TermTable(
        source=of_the_file(document["source"]),
        stock=frozenset(document["stock"]),
        terms=terms,
        reuse=_called(document["reuse"]),
        feeds=_feeds(document["feeds"]),
        no_row={name: of_the_file(text) for name, text in document["no_row"].items()},
    )
    for (source, destination), feed in table.feeds.items():
        _check_closes(table, source, destination, feed)
    if table.no_row["into_stock"] not in INPUTS[:1] or table.no_row["out_of_stock"] not in OUTPUTS:
        raise ValueError("what no row names goes in as I1 and out as one of the outputs")
    return table


def _called(row: Mapping[str, Any]) -> Term:
    return Term(row["term"], of_the_file(row["words"]), of_the_file(row["source"]))


def _feeds(rows: Iterable[Mapping[str, Any]]) -> dict[Pair, Feed]:
    found: dict[Pair, Feed] = {}
    for row in rows:
        words, source = of_the_file(row["words"]), of_the_file(row["source"])
        feed = Feed(tuple(map(_term, row["terms"])), words, source, row.get("apart", ""))
        for start in row["from"]:
            for end in row["to"]:
                if (start, end) in found or start == end:
                    raise ValueError(f"{start} to {end} is named twice")
                found[(start, end)] = feed
    return found


def _term(text: str) -> tuple[str, int]:
    sign, term = text[:1], text[1:]
    if sign not in ("+", "-") or term not in ("I1", *OUTPUTS):
        raise ValueError(f"“{text}” is not + or - and a term that movements feed")
    return term, 1 if sign == "+" else -1


def _check_closes(table: TermTable, source: str, destination: str, feed: Feed) -> None:
    """What comes in less what goes out is what the stock grows by."""
    net = sum(sign if term in INPUTS else -sign for term, sign in feed.terms)
    if net != table.change(source, destination):
        raise ValueError(f"{source} to {destination} would not close: {' '.join(feed.signed)}")
