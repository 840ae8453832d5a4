"""Signs and findings in free remarks. Which words people use: common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.sheets.remarks import _SIGNS, findings_in, signs_in
from inventory.rules.signs import SIGN_CODES, SIGNS
from inventory.services.speaking import speaker


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("crystals round the cap??", "crystals"),
        ("white crust at the neck", "crystals"),
        ("Kristalle am Deckel", "crystals"),
        ("no crystals?", "crystals"),
        ("not opened yet, crystals visible", "crystals"),
        ("not opened yet crystals visible", "crystals"),
        ("no smell but crystals", "crystals"),
        ("a bit cloudy", "cloudy"),
        ("etwas trüb", "cloudy"),
        ("oily layer at the bottom", "viscous-layer"),
        ("viscous", "viscous-layer"),
        ("cap stiff", "cap-stuck"),
        ("stuck", "cap-stuck"),
        ("lid rusted on", "cap-stuck"),
        ("turned yellowish", "odd-colour"),
        ("label faded", "label-unreadable"),
        ("no label", "label-unreadable"),
        ("dates?", "dates-doubtful"),
        ("date is a guess", "dates-doubtful"),
    ],
)
def test_signs(text: str, code: str) -> None:
    assert [s.code for s in signs_in(text)] == [code]


@pytest.mark.parametrize(
    "text",
    [
        "", "from the old store", "no crystals", "no visible crystals", "without any crystals",
        "crystal-free", "no crystals or rust", "cap not stiff", "never cloudy", "keine Kristalle",
        "moved to yellow cupboard",
        "no number on it", "more in it than fits",
    ],
)  # fmt: skip
def test_no_sign(text: str) -> None:
    assert signs_in(text) == ()


def test_several_signs_at_once() -> None:
    assert {s.code for s in signs_in("cap stuck, crystals, label gone")} == {
        "crystals",
        "cap-stuck",
        "label-unreadable",
    }


@pytest.mark.parametrize(
    ("text", "code", "amount"),
    [
        ("left 20 ml in flask", "heel-left", "20 ml"),
        ("left ca. 1,5 L behind", "heel-left", "1,5 L"),
        ("20 mL left in the flask", "heel-left", "20 mL"),
        ("to dryness by mistake", "to-dryness", ""),
        ("boiled dry", "to-dryness", ""),
        ("smelled strongly, leak?", "leak-suspected", ""),
        ("water layer was big", "big-water-layer", ""),
        ("condenser warm", "warm-condenser", ""),
        ("more back than out?", "more-back-than-out", ""),
    ],
)
def test_findings(text: str, code: str, amount: str) -> None:
    assert [(f.code, f.amount) for f in findings_in(text)] == [(code, amount)]


@pytest.mark.parametrize("text", ["", "fine", "no leak", "not to dryness", "condenser not warm"])
def test_no_finding(text: str) -> None:
    assert findings_in(text) == ()


@given(st.text(max_size=200))
def test_any_remark_is_read(text: str) -> None:
    words = [s.words for s in signs_in(text)] + [f.words for f in findings_in(text)]
    assert all(word in text for word in words)


def test_every_sign_has_its_word_in_german() -> None:
    assert set(SIGN_CODES) == set(SIGNS) >= set(_SIGNS)
    say = speaker("de")
    assert all(str(words) == code and say(words) != code for code, words in SIGN_CODES.items())
