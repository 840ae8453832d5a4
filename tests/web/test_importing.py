"""The pages that bring a list in: sent once, read as the person says, looked at, entered once, taken back."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Event, ImportSheet
from inventory.services import import_sheets, volumes
from recovery.models import Run
from recovery.services import import_undo
from tests import factories
from tests.factories import Club
from tests.inventory.club_lists import RUNS, STOCK

pytestmark = pytest.mark.django_db
KEY = re.compile(r'name="key" value="([0-9a-f-]{36})"')
SEEN = re.compile(r'name="seen" value="([0-9a-f]{64})"')
SMALL = "Flasche;Was;Gr;Drin;Wo\nB1;acetone;1 L;400;Cupboard\nB2;kitchen tea;1 L;300;Cupboard\n"


@pytest.fixture
def at(client: Client) -> Club:
    found = factories.club()
    client.force_login(found.steward)
    return found


def sent(client: Client, at: Club, data: bytes, target: str = "stock", name: str = "list.csv") -> str:
    """Upload a list; the address of the page that shows it."""
    told = {"target": target, "file": SimpleUploadedFile(name, data)}
    answer = client.post(f"/labs/{at.lab.slug}/import/", told)
    assert answer.status_code == 302, unescape(answer.content.decode())
    return str(answer["Location"])


def shown(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, address
    return unescape(answer.content.decode())


def booking(text: str) -> dict[str, str]:
    """What the form that enters the rows sends, as it was shown."""
    key, seen = KEY.search(text), SEEN.search(text)
    assert key is not None
    assert seen is not None
    return {"do": "book", "key": key[1], "seen": seen[1]}


def reading(text: str) -> dict[str, str]:
    """The choices of the form as they stand on the page."""
    told = {"do": "read"}
    for name, options in re.findall(r'<select name="(\w+)".*?>(.*?)</select>', text, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        told[name] = chosen[1] if chosen else ""
    return told


def test_the_clubs_own_lists_come_in_by_the_pages_alone(
    client: Client, at: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Good and bad rows as counted by hand for tests/recovery/test_import_command.py."""
    address = sent(client, at, STOCK.read_bytes())
    text = shown(client, address)
    assert "34 can be entered" in text
    told = {**reading(text), "counted_on": "2026-10-31"}
    assert client.post(address, told)["Location"] == address
    text = shown(client, address)
    told = booking(text)
    first, second = client.post(address, told), client.post(address, told)
    assert first["Location"] == second["Location"]
    assert Event.objects.filter(verb="stock-imported").count() == 1
    assert Container.objects.count() == 34
    address = sent(client, at, RUNS.read_bytes(), "runs")
    text = shown(client, address)
    assert "140 can be entered" in text
    past = client.post(address, booking(text))["Location"]
    assert Run.objects.count() == 140
    key = KEY.search(shown(client, past))
    assert key is not None
    monkeypatch.setattr(import_undo, "ROWS_AT_ONCE", 2)
    done = client.post(past, {"key": key[1], "reason": "the wrong year"}, follow=True)
    text = unescape(done.content.decode())
    assert "2 rows were taken back. 138 rows are left: press again." in text
    assert text.count("taken back</strong>") == 2
    undone = Run.objects.filter(is_draft=True).latest("pk")
    assert undone.purpose in shown(client, f"/labs/{at.lab.slug}/runs/{undone.pk}/")
    assert f"/runs/{undone.pk}/" not in shown(client, f"/labs/{at.lab.slug}/runs/")


def test_a_person_says_what_the_columns_are(client: Client, at: Club) -> None:
    address = sent(client, at, SMALL.encode())
    text = shown(client, address)
    assert "To answer first" in text
    assert "Choose below which column it is." in text
    # Units are chosen by what people call them, and sent by their codes (UCUM).
    for code, words in (("uL", "µL"), ("m3", "m³"), ("[pt_us]", "US pint"), ("[oz_av]", "ounce (28.35 g)")):
        assert f'<option value="{code}">{words}</option>' in text
    told = {**reading(text), "column_1": "solvent", "column_2": "size", "column_3": "left", "unit_left": "mL"}
    told["column_4"] = ""
    twice = client.post(address, {**told, "column_4": "left"})
    assert twice.status_code == 400
    assert "“Drin” is read as this already" in unescape(twice.content.decode())
    client.post(address, told)
    text = shown(client, address)
    assert "1 row can be entered" in text
    # The cell and the remedy are named, and the line of the file.
    assert "line 3" in text
    assert "Was:" in text
    assert "kitchen tea" in text
    client.post(address, booking(text))
    bottle = Container.objects.get()
    assert (bottle.code, bottle.location and bottle.location.name) == ("B1", None)


def test_what_was_changed_meanwhile_is_looked_at_first(client: Client, at: Club) -> None:
    address = sent(client, at, b"Bottle;What;Size;Left\nB1;acetone;1 L;400 mL\n")
    text = shown(client, address)
    client.post(address, {**reading(text), "all_or_none": "on"})
    answer = client.post(address, booking(text))
    assert answer.status_code == 400
    assert "How it is read was changed meanwhile." in answer.content.decode()
    assert not Container.objects.exists()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "holds no text"),
        (b"PK\x03\x04rest", "CSV"),
        (b"Bottle;What\n", "no row"),
        (b"x" * (import_sheets.BYTES_MAX + 1), "larger than 4 MB"),
    ],
)
def test_what_is_no_list_is_said_at_the_field(client: Client, at: Club, data: bytes, words: str) -> None:
    told = {"target": "stock", "file": SimpleUploadedFile("list.csv", data)}
    answer = client.post(f"/labs/{at.lab.slug}/import/", told)
    assert answer.status_code == 400
    assert words in unescape(answer.content.decode())
    assert not ImportSheet.objects.exists()


def test_a_list_is_kept_for_a_while_in_its_lab_and_once(client: Client, at: Club) -> None:
    data = b"Bottle;What;Size;Left\nB1;acetone;1 L;400 mL\n"
    address = sent(client, at, data)
    assert sent(client, at, data) == address
    other = factories.second_club()
    client.force_login(other.steward)
    pk = ImportSheet.objects.get().pk
    assert client.get(f"/labs/{other.lab.slug}/import/{pk}/").status_code == 404
    client.force_login(at.steward)
    later = timezone.now() + import_sheets.KEPT_FOR
    ImportSheet.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert client.get(address).status_code == 404
    assert import_sheets.prune(now=later) == 1


def test_an_import_is_taken_back_and_what_stays_is_said(client: Client, at: Club) -> None:
    address = sent(client, at, b"Bottle;What;Size;Left\nB1;acetone;1 L;400 mL\nB2;acetone;1 L;300 mL\n")
    past = client.post(address, booking(shown(client, address)))["Location"]
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    bottle = Container.objects.get(code="B1")
    volumes.draw(**by, container=bottle, amount="5 mL", destination=at.end("product"))
    text = shown(client, past)
    assert "These would stay" in text
    key = KEY.search(text)
    assert key is not None
    assert client.post(past, {"key": key[1], "reason": ""}).status_code == 400
    done = client.post(past, {"key": key[1], "reason": "two lists mixed up"}, follow=True)
    text = unescape(done.content.decode())
    assert "1 row was taken back." in text
    assert "Line 2 stays: Used since: draw" in text
    assert list(Container.objects.filter(discarded_at=None).values_list("code", flat=True)) == ["B1"]


def test_the_page_of_an_import_asks_as_much_for_many_rows(
    client: Client, at: Club, django_assert_max_num_queries: Any
) -> None:
    rows = "".join(f"B{n};acetone;1 L;400 mL\n" for n in range(60))
    address = sent(client, at, f"Bottle;What;Size;Left\n{rows}".encode())
    past = client.post(address, booking(shown(client, address)))["Location"]
    with django_assert_max_num_queries(20):
        shown(client, past)
