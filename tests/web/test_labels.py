"""The page that prints labels: what it asks, and that its PDF leads to the containers. Decoder: zxing-cpp."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from tests import factories
from tests.rules.test_label_sheet import codes_on, pages


@pytest.mark.django_db
def test_the_page_prints_what_the_shelf_holds(client: Client, settings: Any) -> None:
    settings.STILLKEEP_SITE_URL = "https://stock.example.org"
    at = factories.club()
    made = [factories.stocked(at, key) for key in ("diethyl-ether", "acetone")]
    client.force_login(at.member)
    asked = client.get(reverse("labels", args=[at.lab.slug]), {"codes": [c.code for c in made]})
    assert made[1].code in asked.content.decode()
    told = {"codes": ", ".join(c.code for c in made), "size": "medium", "skip": "3"}
    answer = client.get(reverse("labels-file", args=[at.lab.slug]), told)
    assert answer["Content-Type"] == "application/pdf"
    (page,) = pages(answer.content)
    assert codes_on(page) == sorted(
        f"https://stock.example.org/labs/{at.lab.slug}/containers/{c.code}/" for c in made
    )


@pytest.mark.django_db
def test_the_language_on_the_label_is_chosen(client: Client) -> None:
    """Whatever the page is in; else that of the page."""
    at = factories.club()
    held = factories.stocked(at, "diethyl-ether")
    client.force_login(at.member)
    address = reverse("labels-file", args=[at.lab.slug])
    for language, page_in, words in (("de", "en", "GEFAHR"), ("en-gb", "de", "DANGER"), ("", "de", "GEFAHR")):
        told = {"codes": held.code, "size": "small", "single": "yes", "language": language}
        answer = client.get(address, told, headers={"accept-language": page_in})
        (page,) = pages(answer.content)
        said = " ".join(page.get_textpage().get_text_range().split())
        assert words in said
        assert ("Kann Peroxide bilden" in said) == (words == "GEFAHR")
        assert ("Testen bis" in said) == (words == "GEFAHR")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"codes": "NOSUCH"}, "No container has the code NOSUCH"),
        ({"skip": "8"}, "A sheet has 8 places"),
        ({"size": "huge"}, "size"),
        ({"codes": ""}, "required"),
    ],
)
def test_what_cannot_be_printed_is_told(client: Client, told: dict[str, str], words: str) -> None:
    at = factories.club()
    held = factories.stocked(at)
    client.force_login(at.member)
    address = reverse("labels-file", args=[at.lab.slug])
    answer = client.get(address, {"codes": held.code, "size": "medium", **told})
    assert answer.status_code == 400
    assert words in answer.content.decode()
    client.force_login(factories.second_club().member)
    assert client.get(address, {"codes": held.code, "size": "medium"}).status_code == 404
