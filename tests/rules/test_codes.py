"""Check characters: arithmetic against published ISO/IEC 7064 examples, the promise by trying slips."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.codes import ALPHABET, CODE_LENGTH_MAX, check_code, make_code, pure_system_check
from inventory.rules.errors import InputError

NUMBERS = st.integers(0, 10**12)
PREFIXES = st.text(ALPHABET, max_size=8)


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        check_code(text)
    assert caught.value.field == "code"
    assert caught.value.remedy
    return caught.value.code


@pytest.mark.parametrize(
    ("text", "characters", "modulus"),
    [
        # ORCID support pages: 0000-0002-1825-0097 and 0000-0002-1694-233X, ISO 7064 MOD 11-2 (from memory).
        ("0000000218250097", "0123456789X", 11),
        ("000000021694233X", "0123456789X", 11),
        # MOD 37-2 example with check character Y (from memory).
        ("G123489654321Y", "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*", 37),
    ],
)
def test_published_pure_system_numbers(text: str, characters: str, modulus: int) -> None:
    values = [characters.index(character) for character in text]
    assert pure_system_check(values[:-1], modulus, 2) == values[-1]


def test_modulus_is_prime_and_radix_a_primitive_root() -> None:
    modulus = len(ALPHABET)
    assert len(set(ALPHABET)) == modulus == 31
    assert all(modulus % divisor for divisor in range(2, modulus))
    assert {pow(3, k, modulus) for k in range(30)} == set(range(1, modulus))
    assert not set("01OIL") & set(ALPHABET)


@given(NUMBERS, PREFIXES)
def test_a_made_code_is_accepted_however_it_is_typed(number: int, prefix: str) -> None:
    code = make_code(number, prefix)
    assert check_code(code) == code
    assert check_code(f" {code[:2].lower()}-{code[2:4]} {code[4:].lower()}\u2011") == code


def test_codes_of_a_prefix_are_all_different() -> None:
    assert len({make_code(number, "S") for number in range(40_000)}) == 40_000
    assert len(make_code(0)) == len(make_code(29_790)) == 4
    assert len(make_code(29_791)) == 5


@pytest.mark.parametrize("code", [make_code(0), make_code(17_423, "ST"), make_code(10**12, "ZYXW")])
def test_every_single_wrong_character_is_caught(code: str) -> None:
    for place, right in enumerate(code):
        for wrong in set(ALPHABET) - {right}:
            assert refused(code[:place] + wrong + code[place + 1 :]) == "check-character-wrong"


def test_every_swap_of_neighbours_is_caught_in_the_first_thousands_of_codes() -> None:
    for number in range(3_000):
        code = make_code(number)
        for place, (left, right) in enumerate(pairwise(code)):
            if left != right:
                assert refused(code[:place] + right + left + code[place + 2 :]) == "check-character-wrong"


@given(NUMBERS, PREFIXES, st.data())
def test_any_one_slip_is_caught(number: int, prefix: str, data: st.DataObject) -> None:
    code = make_code(number, prefix)
    first = data.draw(st.integers(0, len(code) - 2))
    second = data.draw(st.integers(first + 1, len(code) - 1))
    wrong = data.draw(st.sampled_from(ALPHABET))
    if wrong != code[first]:
        assert refused(code[:first] + wrong + code[first + 1 :]) == "check-character-wrong"
    if code[first] != code[second]:
        swapped = list(code)
        swapped[first], swapped[second] = code[second], code[first]
        assert refused("".join(swapped)) == "check-character-wrong"


@given(NUMBERS)
def test_a_leading_character_of_value_zero_counts(number: int) -> None:
    assert refused(ALPHABET[0] + make_code(number)) == "check-character-wrong"


def test_what_is_not_a_code_is_refused_with_its_reason() -> None:
    assert refused("") == refused(" - ") == refused("A") == "code-empty"
    assert refused("B01") == refused("2O34") == refused("22Ä4") == "code-character-unknown"
    assert refused("2" * (CODE_LENGTH_MAX + 1)) == "code-too-long"


@pytest.mark.parametrize(("number", "prefix"), [(-1, ""), (1, "LOT"), (1, "A" * 27)])
def test_what_cannot_be_made_is_refused(number: int, prefix: str) -> None:
    with pytest.raises(InputError):
        make_code(number, prefix)
