"""What is seen first: what is wrong with a bottle or a form; nobody is led to touch what is left alone."""

from __future__ import annotations

import re
from html import unescape

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import shown, where
from tests.web.test_home import shelf

pytestmark = pytest.mark.django_db
DEED = re.compile(r'href="/labs/[\w-]+/containers/\w+/([\w-]+)/"')


@pytest.fixture
def at(client: Client) -> Club:
    made = factories.club(now=timezone.now())
    client.force_login(made.steward)
    return made


def rows_of(text: str) -> dict[str, str]:
    """Code → its row of the list."""
    rows = re.findall(r'<li class="bottle.*?</li>', text, re.DOTALL)
    return {found[1]: row for row in rows if (found := re.search(r'name="codes" value="(\w+)"', row))}


def test_the_shelf_says_of_each_bottle_what_is_wrong_with_it(client: Client, at: Club) -> None:
    made = shelf(at)
    rows = rows_of(shown(client, where(at, "shelf/")))
    said = {
        "sign": ("bottle danger", "Crystals"),
        "reading": ("bottle danger", "the last test does not pass"),
        "overdue": ("bottle warn", "test overdue since"),
    }
    for name, (style, words) in said.items():
        assert style in rows[made[name].code], name
        assert words in rows[made[name].code], name
        # A day ahead would only soothe.
        assert "test due" not in rows[made[name].code], name
    assert 'class="bottle"' in rows[made["safe"].code]


def test_a_bottle_to_be_left_alone_offers_no_test_and_folds_what_touches_it(client: Client, at: Club) -> None:
    made = shelf(at)
    text = shown(client, where(at, f"containers/{made['sign'].code}/"))
    nav = text[text.index('<nav class="deeds"') :].split("</nav>")[0]
    open_, folded = nav.split("<details>")
    assert DEED.findall(open_) == ["sign", "set-aside", "discard"]
    assert "test" in DEED.findall(folded)
    assert "none: do not open or test it" in text
    assert "record one" not in text
    assert "Start a run with it" not in text
    safe = shown(client, where(at, f"containers/{made['safe'].code}/"))
    assert "<details>" not in safe[safe.index('<nav class="deeds"') :].split("</nav>")[0]


def test_what_is_wrong_with_a_form_is_where_the_reader_begins(client: Client, at: Club) -> None:
    held: Container = shelf(at)["safe"]
    answer = client.post(
        where(at, f"containers/{held.code}/draw/"), {"amount": "much", "unit": "mL", "key": "k"}
    )
    text = unescape(answer.content.decode())
    assert answer.status_code == 400
    first = re.search(r"<[^>]*\sautofocus[^>]*>", text)
    assert first is not None
    assert 'role="alert"' in first[0]
