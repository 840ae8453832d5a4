"""Every page in a made-up language: each word of ours in brackets, so that what nobody marked stands out."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import django
import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from django.apps import apps
from django.db import models
from django.template.base import Lexer, TokenType
from django.test import Client

from inventory.rules.solvent_words import SHIPPED_NAMES
from recovery.web.deeds import DEEDS
from tests.api.pages_table import PAGES
from tests.api.seed import Seed, planted
from tests.api.test_permissions import page_address
from tests.house import catalogues

OPEN, SHUT = "⟦", "⟧"
SHOWN_IN = ("alt", "aria-label", "placeholder", "title", "data-label")
# Not words: codes and addresses stand in these.
PASSED_OVER = {"script", "style", "code", "textarea", "datalist"}


def bracketed(text: str) -> str:
    return f"{OPEN}{text}{SHUT}"


def made_up(folder: Path) -> None:
    """A catalogue in which every message stands in brackets, Django's own among them."""
    made = Catalog(locale="en")
    for app in catalogues.APPS:
        for words in catalogues.words_of(app):
            made.add(words, tuple(map(bracketed, words)) if isinstance(words, tuple) else bracketed(words))
    own = Path(django.__file__).parent / "conf/locale/en/LC_MESSAGES/django.po"
    with own.open("rb") as file:
        for message in read_po(file):
            # "March" stands there three times: as a month, shortened, and within a date.
            ids = message.id
            if ids and made.get(ids, message.context) is None:
                text: Any = tuple(map(bracketed, ids)) if isinstance(ids, tuple | list) else bracketed(ids)
                made.add(ids, text, context=message.context)
    path = folder / "qps/LC_MESSAGES/django.mo"
    path.parent.mkdir(parents=True)
    path.write_bytes(catalogues.as_mo(made))


class Reader(HTMLParser):
    """The text that a person sees or hears, all of it in one."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.within: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in PASSED_OVER:
            self.within.append(tag)
        self.text += [f"\n{value}\n" for name, value in attrs if name in SHOWN_IN and value]

    def handle_endtag(self, tag: str) -> None:
        if tag in PASSED_OVER and self.within:
            self.within.pop()
        self.text.append("\n" if tag not in ("strong", "a", "b", "span", "time", "data") else "")

    def handle_data(self, data: str) -> None:
        if not self.within:
            self.text.append(data)


def outside_brackets(html: str) -> str:
    reader = Reader()
    reader.feed(html)
    text, deep, kept = "".join(reader.text), 0, []
    for sign in text:
        deep += (sign == OPEN) - (sign == SHUT)
        kept.append(sign if deep == 0 and sign != SHUT else "\n" if sign == SHUT and deep == 0 else "")
    return "".join(kept)


def recorded() -> Iterator[str]:
    """Every text that stands in the database or a data file: names, codes, sources, what somebody wrote."""
    for app in catalogues.APPS:
        for path in (catalogues.ROOT / app / "data").rglob("*.toml"):
            yield from _texts(tomllib.loads(path.read_text("utf-8")))
    for model in apps.get_models():
        kept = [
            field.attname
            for field in model._meta.concrete_fields
            if isinstance(field, models.CharField | models.TextField | models.JSONField)
        ]
        for row in model._default_manager.values_list(*kept) if kept else ():
            for value in row:
                yield from _texts(value)


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list | tuple):
        for each in value.values() if isinstance(value, dict) else value:
            yield from _texts(each)


pytestmark = pytest.mark.once
# The name of the house, and of formats.
NAMES = (
    "Stillkeep",
    "Brackets",
    "https",
    "Deutsch",
    "English",
    "CSV",
    "PDF",
    "QR",
    "SVG",
    "PNG",
    "SQLite",
    "EWMA",
    "ppm",
    "GHS",
    "mol",
)
# Whose words are not ours to translate, or stay English whole so far. Their templates are read all the same.
PASSED_BY = {
    "/labs/{slug}/trail/": "what was recorded, in its own words",
    "/labs/{slug}/import/{sheet}/": "headers of somebody's list",
}


@pytest.fixture
def seed(db: None) -> Seed:
    return planted()


def unmarked(html: str, data: list[str]) -> set[str]:
    rest = outside_brackets(html)
    for text in data:
        if text in rest:
            rest = re.sub(rf"(?<!\w){re.escape(text)}(?!\w)", " ", rest)
    lines = (" ".join(line.split()) for line in rest.split("\n"))
    return {line for line in lines if re.search(r"[A-Za-z]{3}", line)}


def test_every_word_of_a_page_can_be_said_in_another_language(
    seed: Seed, settings: Any, tmp_path: Path
) -> None:
    made_up(tmp_path)
    settings.LANGUAGES = [*settings.LANGUAGES, ("qps", "Brackets")]
    settings.LOCALE_PATHS = [tmp_path]
    data = {text for text in [*NAMES, *recorded()] if len(text.strip()) > 1 and text not in SHIPPED_NAMES}
    ordered = sorted(data, key=len, reverse=True)
    client = Client(raise_request_exception=False, headers={"accept-language": "qps"})
    client.force_login(seed.lab.supervisor)
    wrong: dict[str, str] = {}
    for page in PAGES:
        if "GET" not in page.taken or "secret" in page.address or page.address in PASSED_BY:
            continue
        for deed in DEEDS if "{deed}" in page.address else [""]:
            address = page_address(page.address.replace("{deed}", deed), seed)
            answer = client.get(address)
            if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
                wrong |= dict.fromkeys(unmarked(answer.content.decode(), ordered), address)
    assert wrong == {}


def bare(source: str) -> set[str]:
    """What a template shows outside of every mark, whether or not anything leads there."""
    within, text = False, []
    for token in Lexer(source).tokenize():
        words = token.contents.split()
        if token.token_type == TokenType.BLOCK and words[0] in ("blocktranslate", "endblocktranslate"):
            within = words[0] == "blocktranslate"
        elif token.token_type == TokenType.TEXT and not within:
            text.append(token.contents)
        else:
            text.append(" ")
    # Of a page's frame, a name of the style sheet.
    return unmarked("".join(text), sorted((*NAMES, "narrow"), key=len, reverse=True))


def test_no_template_shows_bare_words() -> None:
    """Mails among them; the page of the API is for programs."""
    found = {}
    for app in ("inventory", "recovery"):
        for path in sorted((catalogues.ROOT / app / "templates").rglob("*")):
            if path.suffix in (".html", ".txt"):
                found[path.name] = bare(path.read_text("utf-8"))
    assert len(found) > 60
    assert {name: words for name, words in found.items() if words} == {}
