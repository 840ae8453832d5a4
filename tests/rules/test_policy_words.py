"""The texts of the shipped policies are found by whoever translates, and read in a policy as phrases."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy, load_policies
from inventory.rules.policy_words import POLICY_TEXTS, policy_words

# Names of institutions and of a page, which no language changes.
NAMES = {"Iowa State EHS", "USC EHS 2021", "Virginia Tech", "Princeton EHS, Peroxide Forming Chemicals"}


def texts_of(part: Any, key: str = "") -> Iterator[str]:
    """Names and sources in a policy as JSON."""
    if isinstance(part, dict):
        for name, value in part.items():
            yield from texts_of(value, name)
    elif isinstance(part, list):
        for value in part:
            yield from texts_of(value, key)
    elif part and (key == "name" or key.endswith("source")):
        yield part


def every_text() -> set[str]:
    return {text for policy in load_policies().values() for text in texts_of(policy.to_json())}


def test_the_table_has_what_the_shipped_policies_say_and_no_more() -> None:
    met: set[str] = set()
    for text in every_text():
        phrase = policy_words(text)
        if text in NAMES:
            continue
        assert isinstance(phrase, Phrase), text
        source = phrase.parts.get("source", phrase)
        assert str(source) in POLICY_TEXTS, source
        met.add(str(source))
    assert met == set(POLICY_TEXTS)


def test_a_policy_says_them_as_phrases_and_is_the_same_as_before() -> None:
    for policy in load_policies().values():
        again = Policy.from_json(json.loads(json.dumps(policy.to_json())))
        assert again == policy
        assert all(isinstance(row.source, Phrase) for row in again.rules)


def test_what_a_lab_writes_stays_as_it_is() -> None:
    assert type(policy_words("Our school's own table, 100 % {ours}")) is str
    odd = policy_words("Taken from the cautious default, because {us} publishes none: {source} of ours")
    assert odd == "Taken from the cautious default, because {us} publishes none: {source} of ours"


def test_every_one_is_said_in_another_language() -> None:
    for text in every_text() - NAMES:
        phrase = policy_words(text)
        assert isinstance(phrase, Phrase)
        assert phrase.said(lambda words: f"«{words}»").startswith("«")
