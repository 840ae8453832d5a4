"""Pictures in another language: no word of theirs is left out, and the same data give the same bytes."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from datetime import date, timedelta
from typing import Any

import pytest

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import day_text, number, plus_minus
from inventory.services.speaking import speaker
from recovery.rules.pictures.balance_flows import flows_of
from recovery.rules.pictures.flow_diagram import flow_diagram_sheet
from recovery.rules.solvent_balance import report
from recovery.rules.solvent_terms import load_terms
from recovery.rules.solvent_terms_words import TERM_NAMES
from tests.recovery.rules.test_drawn_data import flows
from tests.recovery.rules.test_pictures import EMPTY, PICTURES
from tests.rules.pictures_made import check_whole, words_of

OPEN, SHUT = "⟦", "⟧"
EVERY = pytest.mark.parametrize("name", PICTURES)


def bracketed(words: str) -> str:
    """The made-up language: each template in brackets, such as only sets parts beside each other as it is."""
    if not isinstance(words, Phrase):
        return words

    def made_up(template: str) -> str:
        own = re.search(r"[^\W\d_]", re.sub(r"\{[^}]*\}", "", template))
        return f"{OPEN}{template}{SHUT}" if own else template

    return words.said(made_up, lambda part, form: str(part) if isinstance(part, date) else format(part, form))


def strings(what: Any) -> set[str]:
    """Every text in what is drawn, which is somebody's data."""
    if isinstance(what, str):
        return {what}
    if isinstance(what, tuple):
        return {text for part in what for text in strings(part)}
    if is_dataclass(what):
        return {text for each in fields(what) for text in strings(getattr(what, each.name))}
    return set()


def unsaid(text: str, data: set[str]) -> list[str]:
    """Words of three letters and more that stand outside of every bracket and are nobody's data."""
    bare, deep = "", 0
    for sign in text:
        deep += (sign == OPEN) - (sign == SHUT)
        bare += sign if deep == 0 and sign != SHUT else ""
    bare = " ".join(bare.replace("\u00a0", " ").split())
    for each in sorted(data, key=len, reverse=True):
        if len(each) > 2:
            bare = bare.replace(each, " ")
    return re.findall(r"[A-Za-z]{3,}", bare)


@EVERY
@pytest.mark.parametrize("empty", [False, True], ids=["full", "empty"])
def test_every_word_of_a_picture_can_be_said_in_another_language(name: str, empty: bool) -> None:
    make, sheet = PICTURES[name]
    drawn = EMPTY[name] if empty else make("Zw", 1)
    made = sheet(drawn, Look(say=bracketed))
    data = strings(drawn)
    told = [" ".join(box.words for box in made.texts), bracketed(made.desc), *made._hints.values()]
    assert [found for text in told if (found := unsaid(text, data))] == []
    assert OPEN in told[0]


@EVERY
def test_a_german_picture_is_whole_and_the_same_every_time(name: str) -> None:
    """With the longer words of German nothing leaves the picture, on a phone above all."""
    make, sheet = PICTURES[name]
    german = Look("dark", "small", say=speaker("de"))
    once = sheet(make(), german).bytes()
    check_whole(once, german)
    assert once == sheet(make(), german).bytes()
    assert once != sheet(make(), Look("dark", "small")).bytes()


def test_flows_are_named_in_german() -> None:
    moved = {("supplier", "container"): 2_500_500, ("container", "run"): 900_000, ("run", "air"): 50_000}
    flow = flows_of(report([flows({}, moved)], load_terms()))
    look = Look(width="small", say=speaker("de"))
    root = check_whole(flow_diagram_sheet(flow, look).bytes(), look)
    told = " ".join(words.text for words in words_of(root)).replace("\u202f", "")
    for words in ("Woher Lösemittel kam", "erste Aufzeichnung bis jetzt", "gekauft", "Läufe", "Luft"):
        assert words in told
    english = flow_diagram_sheet(flow, Look()).bytes().decode()
    assert "Where the solvent came from and went" in english
    assert "Woher" not in english


def test_numbers_and_days_are_written_the_languages_way() -> None:
    say = speaker("de")
    day = date(2026, 3, 4)
    assert (number(12.5), say(number(12.5))) == ("12.5", "12,5")
    assert say(number(12_500.0)) == "12\u202f500"
    assert say(plus_minus(38.42, 0.61, "mL")) == "38,42 ± 0,61 mL"
    assert (day_text(day), say(day_text(day))) == ("4 Mar 2026", "4. März 2026")
    assert say(day_text(day + timedelta(days=60))) == "3. Mai 2026"
    assert speaker("de") is say
    assert speaker("en")(number(12.5)) == "12.5"


def test_the_terms_of_the_balance_are_called_as_the_table_has_them() -> None:
    """What pages translate is what the table of terms says."""
    assert {term.term: term.words.rstrip(".") for term in load_terms().terms} == TERM_NAMES
