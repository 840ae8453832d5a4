"""Losses, plans and the solvent balance in German, with the pictures on them; programs go on in English."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from inventory.models import Solvent
from tests import factories as make
from tests.recovery.test_loss_signals import Club as Leaky
from tests.rules.pictures_made import LOOKS, check_whole, words_of
from tests.web.test_runs_in_german import english
from tests.web.test_words import Reader

pytestmark = pytest.mark.django_db
# What was written by people, or published, in English.
OWN = (
    "fat in biscuits, still 2",
    "NIST/SEMATECH e-Handbook of Statistical Methods",
    "L. S. Nelson, Journal of Quality Technology",
    "Our choice, not published: no seen source gives an age.",
    "quoted from memory without a page",
    "(from memory)",
)


def told(content: bytes) -> str:
    words = words_of(check_whole(content, LOOKS[1]))
    return " ".join(each.text for each in words).replace("\u00a0", " ")


def page(at: Leaky, address: str, language: str = "de") -> str:
    client = Client(headers={"accept-language": language})
    client.force_login(at.club.supervisor)
    answer = client.get(f"/labs/{at.lab.slug}/{address}")
    assert answer.status_code == 200
    return answer.content.decode().partition("<main")[2].partition("</main>")[0]


def read(html: str) -> str:
    reader = Reader()
    reader.feed(html)
    return "".join(reader.text)


def test_a_plan_its_picture_and_the_balance_are_in_german() -> None:
    at = Leaky(make.club())
    make.stocked(at.club, "diethyl-ether", "500 mL", now=make.NOW)
    ether = Solvent.objects.get(lab=None, key="diethyl-ether")
    asked = f"solvent={ether.pk}&water=100&k=8"
    text = read(page(at, f"plan/?{asked}"))
    # A source keeps the title that it was published with.
    assert [line for line in english(text, *OWN) if not line.startswith("Quelle:")] == []
    for words in (
        "Ein Plan gibt nichts frei",
        "Größe des Raums nicht bekannt: 20\u00a0m³",
        "99\u00a0% als gewünschte",
    ):
        assert words in text
    client = Client(headers={"accept-language": "de"})
    client.force_login(at.club.supervisor)

    def picture(language: str) -> Any:
        headers = {"accept-language": language}
        return client.get(f"/labs/{at.lab.slug}/plan/picture/?{asked}", headers=headers)

    assert "Ausbeute nach Portionen" in told(picture("de").content)
    assert "Yield by portions" in told(picture("en").content)
    refused = read(page(at, f"plan/?solvent={ether.pk}&water=100&k=8&pka=4"))
    assert "Eine schwache Säure oder Base braucht pKa und pH. Geben Sie beide an" in refused

    balance = read(page(at, "solvent-balance/"))
    assert english(balance, *OWN) == []
    assert "Diffuse Emissionen F = O2 + O3 + O4 + O9" in balance
    shown = page(at, "solvent-balance/?since=2026-01")
    assert "solvent-balance/?format=csv&amp;since=2026-01&amp;language=de" in shown
    assert "solvent-balance/?format=pdf&amp;since=2026-01&amp;language=de" in shown
    assert english(read(page(at, "status/")), *OWN) == []
