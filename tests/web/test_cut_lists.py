"""A list that is cut says so, and leads to all the rest of it: each line once, in the same order."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape

import pytest
from django.test import Client
from django.utils import timezone

from inventory.selectors.due import due_list, today_in
from inventory.services import places, safety
from inventory.services.sweep import sweep
from recovery.services import runs
from tests import factories

pytestmark = pytest.mark.django_db


def pages(client: Client, address: str, further: str) -> list[str]:
    """The texts of all pages of a list, by the links that lead on; a list that never ends fails."""
    found = []
    path, start = address, 0
    while path:
        answer = client.get(path)
        assert answer.status_code == 200
        found.append(answer.content.decode())
        assert len(found) < 20, "it goes round in a circle"
        links = re.findall(rf'href="(\?{further}=(\d+)[^"#]*)(?:#[\w-]*)?"', found[-1])
        onward = [(int(number), unescape(link)) for link, number in links if int(number) > start]
        path, start = (address + onward[0][1], onward[0][0]) if onward else ("", start)
    return found


def test_all_that_is_due_is_reached_from_today_by_danger(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recovery.selectors.overview.DUE_LIMIT", 2)
    at, now = factories.club(), timezone.now()
    today = today_in(at.lab, now)
    old = today - timedelta(days=400)
    for key in ("diethyl-ether", "1-4-dioxane", "tetrahydrofuran"):
        factories.stocked(at, key, now=now, received_on=old, opened_on=old)
    factories.stocked(at, "diethyl-ether", now=now, opened="unknown", received_on=today)
    seen = factories.stocked(at, "diisopropyl-ether", now=now, received_on=today)
    safety.observe(lab=at.lab, actor=at.member, now=now, container=seen, sign="crystals")
    sweep(now=now)
    due = [item.code for item in due_list(lab=at.lab, today=today)]
    assert len(due) == 5 and due[0] == seen.code
    client.force_login(at.steward)
    address = f"/labs/{at.lab.slug}/"
    texts = pages(client, address, "from")
    parts = [text[text.index('id="due"') : text.index('id="alerts"')] for text in texts]
    listed = [re.findall(r'<a class="code"[^>]*>([^<]+)</a>', part) for part in parts]
    assert listed == [due[:2], due[2:4], due[4:]]
    assert "further" in parts[0] and "left out here" not in parts[0] and "left out here" in parts[1]
    # What cannot be read, or lies beyond the end, starts anew.
    for wrong in ("?from=-1", "?from=99", "?from=x", "?from=٣"):
        assert due[0] in client.get(address + wrong).content.decode()


def test_open_runs_and_what_stands_in_a_place_are_all_reached(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recovery.web.runs.PAGE", 2)
    monkeypatch.setattr("inventory.web.cabinet_list.PAGE", 2)
    at, now = factories.club(), timezone.now()
    cabinet = places.location_get(lab=at.lab, name="Vented cabinet")
    held = [factories.stocked(at, "acetone", now=now, location=cabinet).code for _ in range(5)]
    for number in range(5):
        runs.run_start(lab=at.lab, actor=at.member, now=now, purpose=f"leaf pigments {number}")
    client.force_login(at.steward)
    texts = pages(client, f"/labs/{at.lab.slug}/runs/", "open_from")
    named = [name for text in texts for name in re.findall(r"leaf pigments \d", text)]
    assert len(texts) == 3 and sorted(named) == [f"leaf pigments {number}" for number in range(5)]
    texts = pages(client, f"/labs/{at.lab.slug}/storage/{cabinet.pk}/list/", "from")
    found = [code for text in texts for code in re.findall(r'<a class="code tap"[^>]*>([^<]+)</a>', text)]
    assert len(texts) == 3 and found == sorted(held)
    assert "1 to 2 of 5" in texts[0] and "The PDF and the CSV have them all" in texts[0]
