"""Which reasons are taken: ten characters and two words with letters, our choice."""

from __future__ import annotations

import pytest

from inventory.rules.errors import InputError
from inventory.rules.giving_reasons import checked_reason

WHAT = "Letting it through needs a reason."


@pytest.mark.parametrize(
    "reason", ["x", "ok", "because", "unterschrieben", "12345 67890", "a b", "…… !!! ….", "a 4567890123"]
)
def test_a_reason_that_says_nothing_is_refused(reason: str) -> None:
    with pytest.raises(InputError) as error:
        checked_reason(reason, what=WHAT, field="override.reason")
    assert (error.value.field, error.value.code) == ("override.reason", "reason-too-short")
    assert "two words" in error.value.remedy or "2 words" in error.value.remedy


@pytest.mark.parametrize("reason", ["", "  ", "\n\t"])
def test_none_at_all_is_missing(reason: str) -> None:
    with pytest.raises(InputError) as error:
        checked_reason(reason, what=WHAT)
    assert (error.value.field, error.value.code) == ("reason", "missing")


@pytest.mark.parametrize(
    "reason", ["shown to the class", "Prüfung nachgeholt", "проверено вчера", "label fell off"]
)
def test_a_reason_in_words_is_taken(reason: str) -> None:
    assert checked_reason(f"  {reason} ", what=WHAT) == reason
