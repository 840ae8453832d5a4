"""Help in place: where a page shows a rule, limit or term, a question unfolds its meaning and its source."""

from __future__ import annotations

import re
from html import unescape

import pytest
from django.test import Client
from django.urls import get_resolver

from inventory.rules.explained import TEXTS as OF_STOCK
from inventory.templatetags import explain
from recovery.rules.explained import TEXTS
from recovery.templatetags import why
from recovery.web.deeds import DEEDS
from tests.api.pages_table import PAGES
from tests.api.seed import Seed, planted
from tests.api.test_permissions import page_address
from tests.house.catalogues import ROOT

pytestmark = pytest.mark.once
TAGS = {"inventory": explain, "recovery": why}
FORMS = {**explain.PAGES, **why.PAGES}
CONTAINER, RUN = "/labs/{slug}/containers/{code}/", "/labs/{slug}/runs/{run}/"
# What a person meets on each page, whatever the lab holds. That every text unfolds on some page, and fits
# there, is held by tests/web/test_every_page.py.
MET = {
    "/labs/{slug}/": "next-test grades loosening",
    "/labs/{slug}/receive/": "not-known opened inhibitor at-20",
    "/labs/{slug}/shelf/": "next-test",
    "/labs/{slug}/labels/": "signal-word",
    "/labs/{slug}/storage/": "storage-limit",
    "/labs/{slug}/storage/{location}/": "storage-limit",
    "/labs/{slug}/storage/{location}/list/": "next-test signal-word",
    "/labs/{slug}/storage/{location}/limit/": "storage-limit",
    "/labs/{slug}/waste/{waste}/": "waste-days",
    "/labs/{slug}/limits/{limit}/change/": "storage-limit loosening",
    "/labs/{slug}/solvents/": "peroxide-class stock-level",
    "/labs/{slug}/solvents/add/": "peroxide-class flammability not-known",
    "/labs/{slug}/solvents/{solvent}/": "peroxide-class flammability signal-word stock-level",
    "/labs/{slug}/solvents/{solvent}/level/": "stock-level",
    "/labs/{slug}/policies/": "next-test peroxide-class loosening",
    "/labs/{slug}/policies/{policy}/": "next-test action-level heel opened inhibitor signs",
    "/labs/{slug}/reagents/": "strip-life",
    "/labs/{slug}/reagents/add/": "strip-life",
    "/labs/{slug}/inspection/": "verdict peroxide-class next-test",
    "/labs/{slug}/import/{sheet}/": "reading-a-list not-known",
    CONTAINER: "verdict next-test opened times-distilled inhibitor peroxide-class never-edited",
    "/labs/{slug}/lots/{lot}/": "times-distilled",
    "/labs/{slug}/plan/": "portions",
    "/labs/{slug}/apparatus/{apparatus}/": "hold-up judged-afresh",
    "/labs/{slug}/apparatus/{apparatus}/record/": "judged-afresh",
    "/labs/{slug}/loss-fits/": "fit",
    "/labs/{slug}/loss-fits/{fit}/": "fit",
    "/labs/{slug}/loss-fits/{fit}/adopt/": "fit",
    "/labs/{slug}/solvent-balance/": "balance-terms",
    "/labs/{slug}/runs/start/": "gate",
    RUN: "gate",
    f"{RUN}charge/": "gate heel at-20",
    f"{RUN}return/": "at-20 times-distilled storage-limit",
    f"{RUN}close/": "remainder",
    f"{RUN}facts/": "loss-terms expanded",
    "/labs/{slug}/alerts/": "grades",
    "/labs/{slug}/alert-settings/": "grades",
    "/labs/{slug}/trail/": "never-edited",
}


@pytest.fixture
def seed(db: None) -> Seed:
    return planted()


def test_every_text_says_what_it_means_and_who_says_so() -> None:
    for key, text in TEXTS.items():
        assert text.asks.endswith("?"), key
        assert text.words, key
        assert all(words.endswith(".") for words in text.words), key
        assert text.sources, key
        assert not any(source.endswith(".") for source in text.sources), key


def test_templates_and_texts_name_each_other() -> None:
    used: dict[str, set[str]] = {}
    for app in ("inventory", "recovery"):
        templates = (ROOT / app / "templates").rglob("*.html")
        tags = re.findall(r'{% explain "([^"]+)" %}', "".join(path.read_text("utf-8") for path in templates))
        used[app] = {key for some in tags for key in some.split()}
    forms = {app: {k for some in tag.PAGES.values() for k in some.split()} for app, tag in TAGS.items()}
    assert used["inventory"] | forms["inventory"] <= set(OF_STOCK)
    assert used["inventory"] | used["recovery"] | forms["inventory"] | forms["recovery"] == set(TEXTS)


def test_every_form_that_is_named_is_there_and_every_deed_is_explained() -> None:
    names = {name for name in get_resolver().reverse_dict if isinstance(name, str)}
    assert {name.partition("/")[0] for name in FORMS} <= names
    assert {f"deed/{key}" for key in DEEDS} <= set(FORMS)


def questions(html: str) -> set[str]:
    """What the page offers to explain. On a page a figure stays with its unit."""
    found = re.findall(r'<details class="why"><summary>(.*?)</summary>', html)
    return {unescape(words).replace("\u00a0", " ") for words in found}


def test_each_page_explains_what_a_person_meets_there(seed: Seed) -> None:
    assert set(MET) <= {page.address for page in PAGES}
    client = Client()
    client.force_login(seed.lab.supervisor)
    addresses = {page_address(path, seed): keys for path, keys in MET.items()}
    for key in DEEDS:
        path = page_address("/labs/{slug}/containers/{code}/{deed}/".replace("{deed}", key), seed)
        addresses[path] = FORMS[f"deed/{key}"]
    missing = {}
    for path, keys in addresses.items():
        answer = client.get(path)
        if answer.status_code != 200:
            missing[path] = f"{answer.status_code}"
            continue
        html = answer.content.decode()
        lacking = [key for key in keys.split() if TEXTS[key].asks not in questions(html)]
        if lacking:
            missing[path] = " ".join(lacking)
        assert html.count('<details class="why">') == html.count('<details class="why"><summary>')
    assert missing == {}
