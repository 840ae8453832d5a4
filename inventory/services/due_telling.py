"""The due list with what the verdict has people do, for page, API and command alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date

from inventory.models import Container
from inventory.rules.advice import Told, told
from inventory.rules.levels import Use
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict
from inventory.selectors.due import DueItem
from inventory.services.facts import containers_with
from inventory.services.verdicts import verdicts_of_many


def spoken_again(words: str, found: Mapping[Use, Verdict]) -> str:
    """Stored words of a due day as the phrase they came from, where a verdict still gives it."""
    for reason in (reason for verdict in found.values() for reason in verdict.reasons):
        for phrase in (reason.words, *getattr(reason.words, "parts", {}).values()):
            if isinstance(phrase, Phrase) and phrase == words:
                return phrase
    return words


def told_of(containers: Sequence[Container], today: date) -> dict[int, Told]:
    """What to say of containers that come with lab, policy, lot and solvent, by id."""
    found = verdicts_of_many(containers, today)
    return {c.pk: told_in(found[c.pk], c, today) for c in containers}


def told_in(found: Mapping[Use, Verdict], container: Container, today: date) -> Told:
    """The same of one, by its verdicts."""
    due = container.next_test_due
    return told(
        found,
        code=container.due_code,
        words=spoken_again(container.due_words, found),
        days=None if due is None else (today - due).days,
    )


def due_said(container_ids: Iterable[int], today: date) -> Mapping[int, str]:
    """The words of their next test as a language can say them, by id."""
    containers = containers_with(list(container_ids))
    found = verdicts_of_many(containers, today)
    return {c.pk: spoken_again(c.due_words, found[c.pk]) for c in containers}


def told_by_id(container_ids: Iterable[int], today: date) -> Mapping[int, Told]:
    """The same, looked up."""
    return told_of(containers_with(list(container_ids)), today)


def judged(items: Sequence[DueItem], today: date) -> list[DueItem]:
    """Items of the due list with the words of their verdicts."""
    return judged_as(items, told_by_id([item.container_id for item in items], today))


def judged_as(items: Sequence[DueItem], found: Mapping[int, Told]) -> list[DueItem]:
    """The same, with what is to be said of their containers, by id, in hand."""
    return [_judged(item, found[item.container_id]) for item in items]


def _judged(item: DueItem, said: Told) -> DueItem:
    return replace(
        item,
        verdict=said.verdict,
        level=said.level,
        advice=said.advice,
        due_code=said.code,
        words=said.words,
        days=said.days,
    )
