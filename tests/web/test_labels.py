"""The page that prints labels: what it asks, and that its PDF leads to the containers. Decoder: zxing-cpp."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from inventory.models import Lab
from inventory.services import safety
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
    typed = [made[0].code.lower(), *(c.code for c in made)]  # in any capitals; twice named is once printed
    told = {"codes": ", ".join(typed), "size": "medium", "skip": "3"}
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
@pytest.mark.parametrize("size", ["small", "large"])
def test_a_label_sends_nobody_to_test_what_is_not_to_be_touched(client: Client, size: str) -> None:
    at = factories.club()
    now = timezone.now()
    fresh: dict[str, Any] = {"now": now, "received_on": timezone.localdate() - timedelta(days=20)}
    safe, crystals, high = (factories.stocked(at, "tetrahydrofuran", **fresh) for _ in range(3))
    factories.tested(at, high, now=now, reading="60", method="strip-100")
    safety.observe(
        lab=at.lab, actor=at.member, now=now, container=crystals, sign="crystals", words="at the cap"
    )
    client.force_login(at.member)
    said = {}
    for held in (safe, crystals, high):
        told = {"codes": held.code, "size": size, "single": "yes", "language": "en-gb"}
        (page,) = pages(client.get(reverse("labels-file", args=[at.lab.slug]), told).content)
        said[held] = " ".join(page.get_textpage().get_text_range().split())
    assert "Do not touch, open or move it. Ask a supervisor." in said[crystals]
    # What is not to be used may be carried to where it is collected.
    assert "Do not use, open or test it. Ask a supervisor." in said[high]
    assert "or move it" not in said[high]
    for words in ("Test before use", "Test by", "Tested"):
        assert words in said[safe], words
        for held in (crystals, high):
            assert words not in said[held], words
    # What is in it stays on the label, and so do whom to call and what to do.
    for held in (crystals, high):
        assert "H225" in said[held]
        assert "In an emergency: Ring 112." in said[held]


@pytest.mark.django_db
@pytest.mark.parametrize("size", ["small", "large"])
def test_a_label_asks_for_the_supervisor_before_a_bottle_that_stood_too_long_is_opened(
    client: Client, size: str
) -> None:
    received = timezone.now() - timedelta(days=400)
    at = factories.club(now=received)
    old = factories.stocked(at, "diisopropyl-ether", now=received, received_on=received.date())
    client.force_login(at.member)
    told = {"codes": old.code, "size": size, "single": "yes", "language": "en-gb"}
    (page,) = pages(client.get(reverse("labels-file", args=[at.lab.slug]), told).content)
    said = " ".join(page.get_textpage().get_text_range().split())
    assert "May form peroxides. Ask the supervisor before opening it to test it." in said
    assert "Test before use" not in said
    assert "Tested" in said


@pytest.mark.django_db
def test_a_contact_without_room_is_told_at_the_size(client: Client) -> None:
    """Never half of it: the form says what to do instead."""
    at = factories.club()
    Lab.objects.filter(pk=at.lab.pk).update(contact=" ".join(["+49 341 9736 1427"] * 11))
    held = factories.stocked(at, "n-hexane")
    client.force_login(at.member)
    address = reverse("labels-file", args=[at.lab.slug])
    answer = client.get(address, {"codes": held.code, "size": "small", "language": "de"})
    assert answer.status_code == 400
    said = answer.content.decode()
    assert held.code in said
    assert "Choose a larger one, or shorten who looks after the lab" in said
    assert client.get(address, {"codes": held.code, "size": "medium"}).status_code == 200


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
