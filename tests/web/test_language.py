"""Pages in German and in English: who gets which, what programs get, and how numbers are read and written."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone, translation

from inventory.models import Container
from inventory.rules.advice import ADVICE
from inventory.rules.cautions import CAUTIONS
from inventory.rules.levels import LEVEL_WORDS, LEVELS
from inventory.rules.phrases import Phrase
from inventory.services import safety
from inventory.web.language import spoken
from inventory.web.numbers import point_may_group
from tests import factories

GERMAN = {"accept-language": "de-CH,de;q=0.9,en;q=0.5"}


@pytest.fixture
def bottle(db: None) -> tuple[factories.Club, Container]:
    at = factories.club()
    return at, factories.stocked(at, "diethyl-ether", code="B-1")


def page(at: factories.Club, address: str = "containers/B-1/", **headers: str) -> str:
    client = Client(headers=headers)
    client.force_login(at.member)
    return client.get(f"/labs/{at.lab.slug}/{address}").content.decode()


def test_a_stranger_gets_the_browsers_language_or_the_chosen_one(db: None) -> None:
    client = Client(headers=GERMAN)
    assert '<html lang="de">' in client.get("/login/").content.decode()
    assert '<html lang="en-gb">' in Client(headers={"accept-language": "fr"}).get("/login/").content.decode()
    answer = client.post("/language/", {"language": "en-gb", "next": "/login/"})
    assert (answer.status_code, answer["Location"]) == (302, "/login/")
    assert '<html lang="en-gb">' in client.get("/login/").content.decode()
    # Never to another host, whatever the form says.
    assert client.post("/language/", {"language": "de", "next": "https://elsewhere.test/"})["Location"] == "/"


def test_what_is_read_at_the_bench_is_german(bottle: Any) -> None:
    at, ether = bottle
    safety.observe(lab=at.lab, actor=at.member, now=timezone.now(), container=ether, sign="crystals")
    html = page(at, **GERMAN)
    for words in (
        "Nicht anfassen: Hilfe holen",
        "Kristalle oder Feststoff wurden gesehen.",
        "Andere fernhalten",
    ):
        assert words in html
    assert "Do not touch" not in html
    # The uses that its lot may be fit for, on the page of the lot.
    assert ether.lot is not None
    of_lot = page(at, f"lots/{ether.lot.pk}/", **GERMAN)
    assert "<strong>Spülen</strong>" in of_lot and "Rinsing" not in of_lot
    english = page(at)
    assert "Do not touch: get help" in english
    assert "Nicht anfassen" not in english


def test_a_role_has_a_german_name(bottle: Any) -> None:
    at, _ = bottle
    assert "Ihre Rolle hier: Mitglied" in page(at, "", **GERMAN)
    assert "you are member here" in page(at, "")


def test_programs_get_english_whatever_they_ask_for(bottle: Any) -> None:
    at, _ = bottle
    client = Client(headers=GERMAN)
    client.force_login(at.member)
    address = f"/api/v1/labs/{at.lab.slug}/containers/?colour=blue"
    asked, plain = client.get(address), Client(headers={"accept-language": "en"})
    plain.force_login(at.member)
    same = plain.get(address)
    assert asked.status_code == same.status_code == 400
    assert asked.json()["errors"] == same.json()["errors"]
    assert "Content-Language" not in asked


def test_a_comma_is_a_decimal_mark_and_a_point_is_asked_about(bottle: Any) -> None:
    at, ether = bottle
    client = Client(headers=GERMAN)
    client.force_login(at.steward)
    address = f"/labs/{at.lab.slug}/containers/B-1/count/"

    def counted(amount: str) -> int:
        told = {"amount": amount, "unit": "mL", "key": f"count-{amount}"}
        return client.post(address, told).status_code

    assert counted("1.500") == 400
    assert counted("1,500") == 400
    assert counted("1,5") == 302
    ether.refresh_from_db()
    assert ether.volume_ul == 1500
    assert "1,5" in page(at, **GERMAN)
    assert "1.5" in page(at)


def test_only_where_the_comma_is_the_mark_a_point_may_group() -> None:
    with translation.override("de"):
        assert point_may_group("1.500") == ("1,5", "1500")
        assert point_may_group(" 12.345 mL") == ("12,345", "12345")
        assert [point_may_group(t) for t in ("0.500", "1.5", "1.5000", "1.500,5", "1,500", "x")] == [None] * 6
    with translation.override("en-gb"):
        assert point_may_group("1.500") is None


def test_no_grave_word_is_left_in_english() -> None:
    """The levels, what to do at each, and every caution."""
    grave = [*(LEVEL_WORDS[level] for level in LEVELS), *filter(None, ADVICE.values()), *CAUTIONS.values()]
    with translation.override("de"):
        assert [words for words in grave if spoken(words) == str(words)] == []
        assert spoken(LEVEL_WORDS["do-not-touch"]) == "Nicht anfassen: Hilfe holen"
        assert spoken(CAUTIONS["never-to-dryness"]).startswith("Nie bis zur Trockne destillieren")
    with translation.override("en-gb"):
        assert [words for words in grave if spoken(words) != str(words)] == []


def test_a_phrase_is_its_english_text_and_is_said_with_its_parts() -> None:
    inner = Phrase("{count} months", count=3)
    said = Phrase(
        "{amount:f} after {span} on {day}", amount=Decimal("2.50"), span=inner, day=date(2026, 5, 1)
    )
    assert said == "2.50 after 3 months on 2026-05-01"
    german = {"{count} months": "{count} Monate", said.template: "{amount:f}, {span} nach {day}"}
    assert said.said(german.__getitem__) == "2.50, 3 Monate nach 2026-05-01"


def test_a_translation_that_does_not_fit_falls_back_to_english() -> None:
    said = Phrase("Leave {code} where it is.", code="B-1")
    assert said.said(lambda template: template.replace("{code}", "{kode}")) == "Leave B-1 where it is."
    assert said.said(lambda template: "{code") == "Leave B-1 where it is."
    assert Phrase("50 % {").said(str) == "50 % {"
    assert Phrase("").said(lambda template: "header of the catalogue") == ""


def test_days_and_numbers_in_a_sentence_are_written_the_languages_way() -> None:
    said = Phrase("{amount} by {day}", amount=Decimal("2.5"), day=date(2026, 5, 1))
    with translation.override("de"):
        assert spoken(said) == "2,5 by 1. Mai 2026"
    with translation.override("en-gb"):
        assert spoken(said) == "2.5 by 1 May 2026"
    assert str(said) == "2.5 by 2026-05-01"


def test_a_phrase_in_a_page_is_escaped() -> None:
    from django.template import Context, Template

    words = Phrase('The policy "{name}" has no interval for this container.', name="<b>")
    with translation.override("de"):
        html = Template("{{ words }}").render(Context({"words": words}))
    assert html == "Das Regelwerk „&lt;b&gt;“ hat keine Frist für dieses Gebinde."
