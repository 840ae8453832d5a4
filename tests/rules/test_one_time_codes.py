"""One-time codes against the published vectors, and what makes a code count no more."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qs, urlsplit

import pytest

from inventory.rules import one_time_codes
from inventory.rules.devices import device_words

# RFC 6238, appendix B: ASCII secret "12345678901234567890" in base32; SHA-1, of eight digits the last six.
SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
VECTORS = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]


def at(seconds: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)


@pytest.mark.parametrize(("seconds", "code"), VECTORS)
def test_the_published_codes_are_taken(seconds: int, code: str) -> None:
    assert one_time_codes.step_of(SECRET, code[-6:], now=at(seconds)) == seconds // 30


def test_one_step_early_or_late_is_taken_and_no_more() -> None:
    """RFC 6238, 5.2: at most one step for the delay of the network."""
    taken = [
        offset
        for offset in range(-120, 121, 30)
        if one_time_codes.step_of(SECRET, "287082", now=at(59 + offset)) is not None
    ]
    assert taken == [-30, 0, 30]


def test_no_step_counts_twice_nor_any_before_it() -> None:
    """RFC 6238, 5.2: the second attempt of a code must not be accepted."""
    step = one_time_codes.step_of(SECRET, "287082", now=at(59))
    assert step == 1
    assert one_time_codes.step_of(SECRET, "287082", now=at(59), after=step) is None
    assert one_time_codes.step_of(SECRET, "287082", now=at(59), after=step + 1) is None
    assert one_time_codes.step_of(SECRET, "287082", now=at(59), after=step - 1) == step


@pytest.mark.parametrize("typed", ["287 082", " 287082 ", "287-082", "２８７０８２"])
def test_a_code_is_read_as_people_type_it(typed: str) -> None:
    assert one_time_codes.step_of(SECRET, typed, now=at(59)) == 1


@pytest.mark.parametrize("typed", ["", "28708", "2870823", "287083", "é", "94287082"])
def test_anything_else_is_wrong(typed: str) -> None:
    assert one_time_codes.step_of(SECRET, typed, now=at(59)) is None


def test_an_app_is_told_all_it_needs() -> None:
    """The key URI that apps read: type totp, secret in base32 of 160 bits (RFC 4226, R6), issuer, person."""
    secret = one_time_codes.secret_make()
    assert len(secret) * 5 == 160
    told = urlsplit(one_time_codes.app_address(secret, person="ada", site="Stillkeep lab.example"))
    assert (told.scheme, told.netloc) == ("otpauth", "totp")
    assert parse_qs(told.query) == {"secret": [secret], "issuer": ["Stillkeep lab.example"]}
    assert told.path.endswith(":ada")


def test_recovery_codes_differ_and_their_spelling_does_not_matter() -> None:
    codes = one_time_codes.recovery_codes_make()
    assert len({one_time_codes.recovery_digest(code) for code in codes}) == one_time_codes.RECOVERY_CODES
    assert one_time_codes.recovery_digest(codes[0]) == one_time_codes.recovery_digest(
        codes[0].upper().replace("-", " ")
    )
    assert all(codes[0] not in one_time_codes.recovery_digest(code) for code in codes)


# As these browsers call themselves, from memory.
AGENTS = [
    ("Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0", ("Firefox", "Linux")),
    (
        "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko) "
        "Chrome/140.0.0.0 Mobile Safari/537.36",
        ("Chrome", "Android"),
    ),
    (
        "Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) "
        "Version/18.5 Mobile/15E148 Safari/604.1",
        ("Safari", "iPhone"),
    ),
    (
        "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) "
        "Chrome/140.0.0.0 Safari/537.36 Edg/140.0.0.0",
        ("Edge", "Windows"),
    ),
    ("", ("", "")),
]


@pytest.mark.parametrize(("agent", "words"), AGENTS)
def test_a_browser_is_named_as_people_know_it(agent: str, words: tuple[str, str]) -> None:
    assert device_words(agent) == words
