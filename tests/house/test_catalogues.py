"""The German catalogues: every word of the source is in them, translated, with the same parts to fill in."""

from __future__ import annotations

import re
from gettext import GNUTranslations
from typing import Any

import pytest
from babel.messages.catalog import Message

from tests.house import catalogues

PARTS = re.compile(r"%\([a-z_0-9]+\)[sd]|%%|\{[^}]*\}|</?[a-z]+[^>]*>")
APPS = list(catalogues.APPS)
HELP = "Translate what is new: python -m tests.house.catalogues writes it into the catalogue."


def texts(value: Any) -> list[str]:
    return [value] if isinstance(value, str) else list(value or ())


def messages(app: str) -> list[Message]:
    return [message for message in catalogues.read(app) if message.id]


@pytest.mark.parametrize("app", APPS)
def test_every_word_of_the_source_is_in_its_catalogue(app: str) -> None:
    wanted = {message.id for message in catalogues.fresh(app) if message.id}
    kept = {tuple(m.id) if not isinstance(m.id, str) else m.id for m in messages(app)}
    assert (wanted - kept, kept - wanted) == (set(), set()), HELP


@pytest.mark.parametrize("app", APPS)
def test_nothing_is_left_untranslated_or_in_doubt(app: str) -> None:
    assert [m.id for m in messages(app) if m.fuzzy or not catalogues.is_translated(m)] == [], HELP


@pytest.mark.parametrize("app", APPS)
def test_a_translation_has_the_same_parts(app: str) -> None:
    """Else a number or a name would be missing in it, or the page would fall back to English."""
    pairs = [pair for m in messages(app) for pair in zip(texts(m.id), texts(m.string), strict=True)]
    assert [pair for pair in pairs if sorted(PARTS.findall(pair[0])) != sorted(PARTS.findall(pair[1]))] == []


@pytest.mark.parametrize("app", APPS)
def test_the_compiled_catalogue_says_what_the_readable_one_says(app: str) -> None:
    """A fresh clone compiles nothing; read by the standard library, as Django does."""
    with catalogues.path_of(app).with_suffix(".mo").open("rb") as file:
        compiled = GNUTranslations(file)
    wrong = []
    for message in messages(app):
        if isinstance(message.id, str):
            said = [compiled.gettext(message.id)]
        else:
            one, more = message.id
            said = [compiled.ngettext(one, more, count) for count in (1, 2)]
        if said != texts(message.string):
            wrong.append(message.id)
    assert wrong == []


def test_words_are_found_wherever_they_stand() -> None:
    """The finder itself, on what the house writes: a template, a form, a sentence of the rules."""
    template = '{% translate "A" %}{% blocktranslate count n=x %}{{ n }} b{% plural %}{{ n }} bs'
    template += "{% endblocktranslate %}"
    assert list(catalogues._in_template(template)) == ["A", ("%(n)s b", "%(n)s bs")]
    source = 'x = Phrase("{day} is " "over", day=1), _("one"), ngettext("a", "b", 2), gettext_lazy(name)'
    source += ', Phrase("{a}", a=1)'
    assert sorted(map(str, catalogues._in_python(source))) == ["('a', 'b')", "one", "{day} is over"]
