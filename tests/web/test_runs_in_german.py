"""What the pages of a run and of a fit say in German: not one English sentence is left on them."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from inventory.models import Solvent
from inventory.rules.phrases import Figure, Phrase
from recovery.models import LossFit, Run, RunKind
from recovery.rules.fitted import as_values
from recovery.rules.fitting import fit_losses
from recovery.rules.kept_phrases import KEPT, kept, said_again
from recovery.services import return_states
from recovery.services.kinds import kind_named
from recovery.services.run_facts import tell
from tests import factories as make
from tests.recovery.club import Still
from tests.web.test_words import Reader

pytestmark = pytest.mark.django_db
GERMAN = {"accept-language": "de"}
# Words that English sentences cannot do without and German ones do not have.
ENGLISH = re.compile(r"\b(the|and|of|not|with|from|taken|told|which|that|this|more|than|each|is|are|to|by)\b")
# Sources and names in the language they were published in.
PUBLISHED = (
    "US EPA, RMP Offsite Consequence Guidance",
    "Riddick & Bunger (from memory)",
    "Properties of Gases and Liquids",
)


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def client(still: Still) -> Client:
    made = Client(headers=GERMAN)
    made.force_login(still.club.supervisor)
    return made


def read(still: Still, address: str) -> str:
    """What a person reads of the middle of a page, one line for each piece of text."""
    answer = client(still).get(f"/labs/{still.lab.slug}/{address}")
    assert answer.status_code == 200
    reader = Reader()
    reader.feed(answer.content.decode().partition("<main")[2].partition("</main>")[0])
    return "".join(reader.text)


def english(text: str, *own: str) -> list[str]:
    for words in (*PUBLISHED, *own):
        text = text.replace(words, "")
    return [line for line in (" ".join(line.split()) for line in text.split("\n")) if ENGLISH.search(line)]


def extraction(still: Still, **facts: Any) -> Run:
    run = still.start("Blattfarbstoffe", kind=kind_named(lab=still.lab, ref="liquid-liquid-extraction"))
    if facts:
        told = {name.replace("_", "-"): value for name, value in facts.items()}
        tell(**still.at(), run=run, facts=told)
    bottle = still.bottle(amount="1 L", capacity_ul=1_100_000)
    amount: Any = {"value": "250", "unit": "mL", "instrument": "cylinder-b-250"}
    still.charge(run, bottle, amount)
    return run


def test_a_closed_run_with_predictions_and_a_remainder_reads_german(still: Still) -> None:
    run = extraction(still, water_volume="100 mL", contacts="2", salting="part", open_time="20 min")
    posted = still.back(run, still.flask(), "180 mL")
    return_states.state_tell(**still.at(), run=run, entry=posted.entry, state="wet")
    before = read(still, f"runs/{run.pk}/close/")
    assert "Erwartet: in der Wasserphase gelöst:" in before
    assert english(before) == []
    still.close(run)
    text = read(still, f"runs/{run.pk}/")
    for words in (
        "fehlen über das Erfasste und Vorhergesagte hinaus",
        "Dampf, der am Kühler vorbeigeht",
        "Flüssig-flüssig-Extraktion",
        "etwas Salz",
        "nichts lässt sich sagen über: Dampf aus Gefäßen, die offen standen",
        "als nass angegeben: mit Wasser gesättigt angenommen, 1,",
        "mit demselben Gerät (Messzylinder Klasse B, 250\u00a0mL)",
        "Der größere veröffentlichte Wert: Universität von Kalifornien 20 %",
    ):
        assert words in text
    assert english(text) == []


def test_a_fit_that_is_kept_reads_german(still: Still) -> None:
    row = planted(still)
    text = read(still, f"loss-fits/{row.pk}/")
    for words in ("Je eingesetztem mL", "30 Läufe, Koeffizienten über null: 1", "nur in 2 von 9 Läufen"):
        assert words in text
    assert english(text) == []
    assert "Destillation" in read(still, "loss-fits/")
    assert english(read(still, "loss-fits/")) == []


def planted(still: Still) -> LossFit:
    fit = fit_losses(["charged"], [(float(ml),) for ml in range(100, 400, 10)], list(range(5, 20)) * 2)
    left_out = [
        {"driver": "transfers", "reason": Phrase("told in {told} of {runs} runs only", told=2, runs=9)}
    ]
    basis = {"run_ids": [], "closed_runs": 31, "since": None, "left_out": left_out}
    result = as_values(fit) | basis
    return LossFit.objects.create(
        lab=still.lab,
        solvent=Solvent.objects.get(lab=None, key="diethyl-ether"),
        kind=RunKind.objects.get(lab=None, key="distillation"),
        runs=fit.runs,
        first_started_at=still.now,
        last_started_at=still.now,
        result=result | {KEPT: kept(result)},
        actor=still.club.steward,
        made_at=still.now,
    )


def test_a_refusal_stands_in_the_form_in_german(still: Still) -> None:
    run = extraction(still)
    address = f"/labs/{still.lab.slug}/runs/{run.pk}/facts/"
    told = {"key": "k", "water-volume": "999999999 mL", "contacts": "2,5"}
    answer = client(still).post(address, told)
    html = answer.content.decode()
    assert answer.status_code == 400
    assert "ist mehr, als bei „Volumen der Wasserphasen“ möglich ist." in html
    assert "Möglich ist: 0 bis 100000 mL." in html


def test_phrases_come_back_out_of_a_database_as_they_went_in() -> None:
    inner = Phrase("{value:f} mL", value=Decimal("12.50"))
    words = Phrase("{amount} by {day}, {n} of {f:.2g}", amount=inner, day=make.NOW.date(), n=3, f=0.123)
    figure = Phrase("about {n}", n=Figure(1.5, "1.5"))
    held = {"a": [words, {"b": figure}], "c": "plain"}
    stored = json.loads(json.dumps({**held, KEPT: kept(held)}))
    again = said_again(stored, stored[KEPT])
    assert [type(again["a"][0]), type(again["a"][1]["b"]), again["c"]] == [Phrase, Phrase, "plain"]
    assert again["a"][0] == words
    assert again["a"][0].said(str, lambda part, form: f"<{part}>").startswith("<<12.50> mL> by <")
    # A text that its parts no longer make stays as it was written.
    spoilt = {"about 1.5": {"template": "about {n}", "parts": {"n": 7}}}
    assert type(said_again("about 1.5", spoilt)) is str
