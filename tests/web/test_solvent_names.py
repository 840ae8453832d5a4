"""Shipped solvents are named in the reader's language, a lab's own as typed; programs get English."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Solvent
from inventory.rules.names import resolve
from inventory.rules.solvent_words import SHIPPED_NAMES
from inventory.services.catalogue import solvent_add
from inventory.services.labels import label_texts
from inventory.services.speaking import speaker
from tests import factories
from tests.api.seed import Seed, planted
from tests.factories import Club
from tests.web.plain_forms import as_csv, key_of, shown, where
from tests.web.test_words import Reader

pytestmark = pytest.mark.django_db
GERMAN = {"accept-language": "de"}
IN_GERMAN = {name: speaker("de")(phrase) for name, phrase in SHIPPED_NAMES.items()}
ENGLISH = sorted((name for name, said in IN_GERMAN.items() if said != name), key=len, reverse=True)
# Part of a longer word or of an address it is no name.
ENGLISH_NAME = re.compile(rf"(?<![\w/-])(?:{'|'.join(map(re.escape, ENGLISH))})(?!\w)")
OWN = "brew {name} of 70 %(x)s <b>fat</b>"


def reader(at: Club, role: str = "supervisor") -> Client:
    client = Client(headers=GERMAN)
    client.force_login(at.people[role])
    return client


def read(client: Client, address: str) -> str:
    """What a person sees or hears of a page, sources left out: they are quoted."""
    answer = client.get(address)
    assert answer.status_code == 200, (address, answer.status_code)
    found = Reader()
    found.feed(answer.content.decode())
    lines = "".join(found.text).split("\n")
    return "\n".join(line for line in lines if not line.strip().startswith("Quelle:"))


def test_each_german_name_is_one_that_the_shipped_synonyms_lead_back_from() -> None:
    """Some as in Annex VI of the CLP regulation, German text (from memory)."""
    for name, said in IN_GERMAN.items():
        assert resolve(said) == resolve(name), (name, said)
    told = ("diethyl ether", "toluene", "acetic acid", "ethyl acetate", "dichloromethane", "pyridine")
    wanted = ("Diethylether", "Toluol", "Essigsäure", "Ethylacetat", "Dichlormethan", "Pyridin")
    assert tuple(IN_GERMAN[name] for name in told) == wanted


def test_no_main_page_says_an_english_name_to_a_german_reader() -> None:
    seed: Seed = planted()
    at = seed.lab
    client, ether = reader(at), Solvent.objects.get(lab=None, key="diethyl-ether")
    with_name = {
        "Diethylether": ("", "shelf/", "containers/B-1/", "solvents/", f"solvents/{ether.pk}/",
                         f"solvents/{ether.pk}/level/", f"runs/{seed.names['run']}/", "alerts/",
                         "plan/?volume=100"),
        "n-Hexan": ("runs/", "recovery/", "solvent-balance/", f"runs/{seed.names['closed_run']}/"),
        "Ethylacetat": (f"import/{seed.names['sheet']}/",),
    }  # fmt: skip
    for name, pages in with_name.items():
        for page in pages:
            text = read(client, where(at, page))
            assert name in text, page
            assert ENGLISH_NAME.findall(text) == [], page
    receive = client.get(where(at, "receive/")).content.decode()
    assert '<option value="Diethylether">' in receive and '"diethyl ether"' not in receive
    strong = re.findall(r"<strong>([^<]+)</strong></a>", shown(client, where(at, "solvents/")))
    listed = [name for name in strong if name in IN_GERMAN.values()]
    assert len(listed) == len(IN_GERMAN) and listed == sorted(listed, key=str.casefold)


def test_programs_and_english_readers_get_the_name_of_the_table() -> None:
    at = factories.club(now=timezone.now())
    held = factories.stocked(at, "diethyl-ether", code="B-1", now=timezone.now())
    client = reader(at)
    for which in ("", f"{held.pk}/"):
        body = client.get(f"/api/v1/labs/{at.lab.slug}/containers/{which}").content.decode()
        assert '"name":"diethyl ether"' in body.replace(": ", ":") and "Diethylether" not in body
    english = Client()
    english.force_login(at.member)
    text = english.get(where(at, "containers/B-1/")).content.decode()
    assert "diethyl ether" in text and "Diethylether" not in text
    assert [row["solvent_name"] for row in as_csv(english, where(at, "shelf.csv"))] == ["diethyl ether"]


def test_the_shelf_and_the_catalogue_are_searched_by_the_german_name() -> None:
    at = factories.club(now=timezone.now())
    factories.stocked(at, "ethyl-acetate", code="B-1", now=timezone.now())
    factories.stocked(at, "n-hexane", code="B-2", now=timezone.now())
    client = Client()
    client.force_login(at.steward)
    for words, codes in (("Ethylacetat", ["B-1"]), ("essigester b-1", ["B-1"]), ("n-Hexan", ["B-2"]),
                         ("Ethylacetat B-2", []), ("Toluol", [])):  # fmt: skip
        assert [row["code"] for row in as_csv(client, where(at, f"shelf.csv?q={words}"))] == codes, words
    assert [row["cas"] for row in as_csv(client, where(at, "solvents.csv?q=Essigsäure"))] == ["64-19-7"]


def test_what_is_typed_in_german_is_found_or_asked_back_in_german() -> None:
    at = factories.club(now=timezone.now() - timedelta(days=1))
    client, address = reader(at, "steward"), where(at, "receive/")
    told = {"amount": "1", "unit": "L", "opened": "unopened", "inhibited": "unknown", "origin": "purchased"}
    told["key"] = key_of(shown(client, address))
    refused = client.post(address, {"solvent": "Diethyleter", **told})
    assert refused.status_code == 400
    words = refused.content.decode()
    assert "War Diethylether" in words and "Choose a solvent" not in words
    sent = client.post(address, {"solvent": "Petrolether 40-60", **told})
    assert sent.status_code == 302, sent.content.decode()
    assert Container.objects.get().lot.solvent.key == "petroleum-ether-40-60"  # type: ignore[union-attr]


def test_a_lab_s_own_name_stays_as_it_was_typed() -> None:
    """Thiophene, of the tables of the library and not of the catalogue."""
    at, now = factories.club(now=timezone.now()), timezone.now()
    own = solvent_add(lab=at.lab, actor=at.steward, now=now, cas="110-02-1", name=OWN)
    client = reader(at, "steward")
    home = f"solvents/{own.pk}/"
    for page in ("solvents/", home, f"{home}level/", f"{home}confirm/"):
        assert OWN in shown(client, where(at, page)), page
        assert OWN not in client.get(where(at, page)).content.decode(), "mark-up stands escaped"
    # What a spreadsheet reads has other headings in German.
    english = Client()
    english.force_login(at.steward)
    assert OWN in [row["solvent"] for row in as_csv(english, where(at, "solvents.csv?which=own"))]


def test_a_label_names_what_is_in_it_in_the_language_of_the_label() -> None:
    at = factories.club()
    held = [factories.stocked(at, "diethyl-ether")]
    told: Any = {
        "lab": at.lab,
        "containers": held,
        "address_of": lambda one: f"https://club.test/{one.pk}",
        "today": factories.TODAY,
    }
    for language, name in (("de", "Diethylether"), ("en", "diethyl ether")):
        (label,) = label_texts(**told, language=language)
        assert (label.name, type(label.name)) == (name, str)
