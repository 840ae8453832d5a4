"""Every verb that a service records has words on pages, in English and in German.

Verbs are read out of the services' own text: constants, names of constants, and what a name is given.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.utils import translation

from inventory.selectors.timeline import Happening
from inventory.web.trail_words import VERBS, verb_words
from recovery.templatetags.bench import happening_words
from tests.house.catalogues import APPS

ROOT = Path(__file__).resolve().parents[2]


def _given(tree: ast.AST) -> dict[str, set[str]]:
    """Name → texts that it is ever given in a module: assigned, as a default, or as the verb of a call."""
    found: dict[str, set[str]] = {}

    def give(name: str, value: ast.AST | None) -> None:
        texts = set(_texts(value)) if value is not None else set()
        found.setdefault(name, set()).update(texts)

    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            for argument, default in zip(node.args.kwonlyargs, node.args.kw_defaults, strict=True):
                give(argument.arg, default)
        elif isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name):
                    give(target.id, node.value)
                elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    for one, value in zip(target.elts, node.value.elts, strict=False):
                        give(getattr(one, "id", ""), value)
        elif isinstance(node, ast.Call):
            for keyword in node.keywords:
                if keyword.arg == "verb":
                    give("verb", keyword.value)
    return found


def _texts(node: ast.AST) -> Iterator[str]:
    for part in ast.walk(node):
        if isinstance(part, ast.Constant) and isinstance(part.value, str):
            yield part.value


def recorded() -> Iterator[str]:
    """Every verb that is handed to `services.events.record`."""
    for app in APPS:
        for path in sorted((ROOT / app / "services").rglob("*.py")):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            given = _given(tree)
            for node in ast.walk(tree):
                if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "record":
                    verb = next((k.value for k in node.keywords if k.arg == "verb"), None)
                    if verb is None:
                        continue
                    yield from _texts(verb)
                    for part in ast.walk(verb):
                        if isinstance(part, ast.Name):
                            yield from given.get(part.id, ())


SEEN = frozenset(recorded())


def test_the_text_of_the_services_is_read() -> None:
    assert len(SEEN) > 80
    # One of each way that a verb is handed on.
    assert {
        "opened",
        "count",
        "returned-under-override",
        "quality-check-withdrawn",
        "storage-overridden",
    } <= SEEN


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_verb_that_a_service_records_has_words(language: str) -> None:
    moment = datetime(2026, 3, 1, tzinfo=UTC)
    with translation.override(language):
        for verb in SEEN:
            assert verb in VERBS, verb
            plain = verb.replace("-", " ").capitalize()
            told = Happening(1, moment, moment, "event", verb, "Ada")
            for words in (verb_words(verb), happening_words(told)):
                # In German none is the English name of the verb, written with spaces.
                assert words and (language == "en" or words != plain), verb


def test_what_is_told_of_a_container_in_german_is_german() -> None:
    moment = datetime(2026, 3, 1, tzinfo=UTC)
    with translation.override("de"):
        told = {
            verb: happening_words(Happening(1, moment, moment, "event", verb, "Ada"))
            for verb in ("returned-under-override", "quality-checked", "count")
        }
    assert told == {
        "returned-under-override": "Gegen eine Ablehnung zurückgegeben",
        "quality-checked": "Qualität geprüft",
        "count": "Nachgemessen",
    }
