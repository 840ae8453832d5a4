"""Names of the shipped solvents as phrases, held to the table, and what else is made of them."""

from __future__ import annotations

import copy
import csv

import pytest

from inventory.rules.catalogue import load_catalogue
from inventory.rules.chemicals_lookup import from_cas
from inventory.rules.names import DATA, UnknownSolvent, keys_like, resolve
from inventory.rules.phrases import Phrase
from inventory.rules.solvent_words import BASES, SHIPPED_NAMES, Keyed, basis_words, solvent_words

SMALL_GERMAN = {
    "diethyl ether": "Diethylether",
    "{one} or {other}": "{one} oder {other}",
    "o-xylene": "o-Xylol",
}


def german(words: str) -> str:
    return SMALL_GERMAN.get(words, words)


def test_the_names_are_those_of_the_table() -> None:
    with (DATA / "solvents.csv").open(encoding="utf-8", newline="") as lines:
        assert [*SHIPPED_NAMES] == [row["name"] for row in csv.DictReader(lines)]
    assert all(isinstance(data.name, Phrase) for data in load_catalogue().values())


def test_every_class_has_its_reason_as_a_phrase() -> None:
    told = {data.peroxide_basis for data in load_catalogue().values()}
    told.add(from_cas("110-02-1").peroxide_basis)
    assert told == set(BASES)
    assert all(isinstance(basis_words(basis), Phrase) for basis in told)
    assert type(basis_words("by our own test")) is str


@pytest.mark.parametrize("name", ["", "Diethyl ether", "diethyl ether {x}", "70 % brew", "<b>ether</b>"])
def test_any_other_name_stays_as_it_was_typed(name: str) -> None:
    assert solvent_words(name) is name


def test_programs_read_the_key_and_people_the_name() -> None:
    keyed = Keyed("diethyl-ether", "diethyl ether")
    assert (f"{keyed}", keyed.said(str), keyed.said(german)) == (
        "diethyl-ether",
        "diethyl ether",
        "Diethylether",
    )
    assert copy.deepcopy(keyed).said(german) == "Diethylether"
    with pytest.raises(UnknownSolvent) as caught:
        resolve("xylenes")
    told = caught.value.remedy
    assert told.startswith("Did you mean p-xylene or o-xylene or ")
    assert isinstance(told, Phrase) and "oder o-Xylol oder " in told.said(german)


@pytest.mark.parametrize(
    ("word", "found"),
    [
        ("Diethylether", {"diethyl-ether"}),
        ("Essigester", {"ethyl-acetate"}),
        ("Butylacetat", {"n-butyl-acetate"}),
        ("DCM", {"dichloromethane"}),
        ("xylol", {"o-xylene", "m-xylene", "p-xylene"}),
        ("Petrolether", {"petroleum-ether-40-60"}),
        # Of a word this short only a whole name counts, and figures are codes or days.
        ("eth", set()),
        ("109", set()),
        ("67-64-1", set()),
        ("", set()),
    ],
)
def test_a_word_of_a_synonym_finds_its_solvent(word: str, found: set[str]) -> None:
    assert set(keys_like(word)) == found
