"""Limits of quality, a program's address and the rows of a list to be mended, on their pages."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Event, ImportSheet, Webhook
from inventory.services import places
from inventory.services.delivery import webhooks
from inventory.services.delivery.webhook_secrets import opened
from recovery.models import QualityLimit, Run
from tests import factories
from tests.factories import Club
from tests.web.test_bench_pages import bottle, where
from tests.web.test_importing import booking, sent, shown

pytestmark = pytest.mark.django_db
KEY = "11111111-2222-4333-8444-5555555555"


@pytest.fixture
def at(client: Client) -> Club:
    found = factories.club()
    client.force_login(found.steward)
    return found


def post(client: Client, address: str, number: int, **told: Any) -> Any:
    return client.post(address, {"key": f"{KEY}{number:02}", **told})


def test_a_limit_of_quality_is_tightened_freely_and_loosened_by_a_supervisor(
    client: Client, at: Club
) -> None:
    """Water of at most 0.2 % for chromatography is what recovery/data/quality.toml ships."""
    page = where(at, "quality-limits")
    assert "0.2 %" in shown(client, page)
    hexane = factories.solvent("n-hexane").pk
    told = {"what": "water", "solvent": hexane, "use": "chromatography", "source": "club rules, 2026"}
    assert post(client, f"{page}add/", 1, highest="kitchen", **told).status_code == 400
    assert post(client, f"{page}add/", 2, highest="0.5", **told).status_code == 400
    assert post(client, f"{page}add/", 3, highest="0.1", **told).status_code == 302
    limit = QualityLimit.objects.get()
    assert (limit.highest, limit.unit) == (Decimal("0.1"), "%")
    change = f"{page}{limit.pk}/change/"
    assert 'value="0.1"' in shown(client, change)
    assert post(client, change, 4, highest="0.05", source="stricter").status_code == 302
    assert post(client, change, 5, highest="0.15", source="club").status_code == 400
    assert client.get(f"{page}{limit.pk}/end/").status_code == 403
    client.force_login(at.supervisor)
    assert post(client, change, 6, highest="0.15", source="club").status_code == 400
    signed = {"highest": "0.15", "source": "club", "reason": "new strips show less"}
    assert post(client, change, 7, **signed).status_code == 302
    lines: Any = client.get(f"/labs/{at.lab.slug}/quality-limits.csv")
    assert "water,n-hexane,chromatography,,0.15,%" in b"".join(lines.streaming_content).decode()
    assert post(client, f"{page}{limit.pk}/end/", 8, reason="the shipped one will do").status_code == 302
    assert not QualityLimit.objects.filter(ended_at=None).exists()


def test_a_program_gets_another_address_and_other_kinds(client: Client, at: Club) -> None:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": timezone.now()}
    hook, secret = webhooks.webhook_add(**by, name="corridor board", url="https://hooks.example.org/a")
    client.force_login(at.supervisor)
    page = where(at, "webhooks", hook.pk)
    assert page in shown(client, where(at, "webhooks"))
    assert "https://hooks.example.org/a" in shown(client, page)
    wrong = post(client, page, 1, name="board", url="http://127.0.0.1/", rules=["low-stock"])
    assert wrong.status_code == 400
    assert b"http://127.0.0.1/" in wrong.content
    right = {"name": "board", "url": "https://hooks.example.org/b", "rules": ["low-stock"]}
    assert post(client, page, 2, **right).status_code == 302
    hook.refresh_from_db()
    assert (hook.name, hook.url, hook.rules) == ("board", "https://hooks.example.org/b", ["low-stock"])
    assert opened(hook.pk, Webhook.objects.get().secret) == secret
    webhooks.webhook_end(**by, webhook=hook)
    assert post(client, page, 3, **right).status_code == 400


def test_the_bad_rows_of_a_list_are_mended_in_a_file_and_come_in(client: Client, at: Club) -> None:
    """A cell that a spreadsheet would carry out as a formula is made harmless; a number stays one."""
    listed = "Bottle;What;Size;Left;Remark\nB1;acetone;1 L;400 mL;\nB2;kitchen tea;1 L;-3;=1+1\n"
    address = sent(client, at, listed.encode())
    link = f"{address}rows-to-mend.csv"
    assert link in shown(client, f"{address}?show=bad")
    answered: Any = client.get(link)
    file = b"".join(answered.streaming_content).decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(file)))
    assert rows[0] == ["Bottle", "What", "Size", "Left", "Remark", "Line in the list", "What is wrong",
                       "What to do"]  # fmt: skip
    assert len(rows) == 2
    assert rows[1][:6] == ["B2", "kitchen tea", "1 L", "-3", "'=1+1", "3"]
    assert "kitchen tea" in rows[1][6]
    assert rows[1][7]
    mended = file.replace("kitchen tea,1 L,-3", "ethanol,1 L,300 mL", 1)
    again = sent(client, at, mended.encode(), name="mended.csv")
    answer = client.post(again, booking(shown(client, again)))
    assert answer.status_code == 302
    assert Container.objects.get(code="B2").volume_ul == 300_000


def test_what_an_import_left_out_is_on_its_page_until_it_is_mended(client: Client, at: Club) -> None:
    """Each row with why and what to do, as a file of just those rows, and a way to it from the list."""
    listed = "Bottle;What;Size;Left\nB1;acetone;1 L;400 mL\nB2;kitchen tea;1 L;3 mL\nB3;acetone;1 L;2 L\n"
    address = sent(client, at, listed.encode())
    past = client.post(address, booking(shown(client, address)))["Location"]
    text, link = shown(client, past), f"{past}rows-to-mend.csv"
    for words in ("2 rows stayed out", "line 3", "line 4", "kitchen tea", link, "They are kept here until"):
        assert words in text, words
    assert f'href="{past}#left-out">2 stayed out' in shown(client, where(at, "import"))
    answered: Any = client.get(link)
    file = b"".join(answered.streaming_content).decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(file)))
    assert [row[:5] for row in rows[1:]] == [
        ["B2", "kitchen tea", "1 L", "3 mL", "3"], ["B3", "acetone", "1 L", "2 L", "4"],
    ]  # fmt: skip
    assert all(row[5] and row[6] for row in rows[1:])
    mended = file.replace("kitchen tea", "ethanol", 1).replace("2 L", "200 mL", 1)
    again = sent(client, at, mended.encode(), name="mended.csv")
    after = client.post(again, booking(shown(client, again)))["Location"]
    assert "stayed out" not in shown(client, after).replace("were wrong and stayed out", "")
    assert set(Container.objects.values_list("code", flat=True)) == {"B1", "B2", "B3"}
    ImportSheet.objects.all().delete()
    assert "is not kept here any more" in shown(client, past)
    assert client.get(link)["Location"] == past


def test_what_waited_keeps_the_time_of_the_tap_and_undoes_nothing_newer(client: Client, at: Club) -> None:
    """Where a record bears no time of happening, an event does; a move that is out of date is refused."""
    held, tapped = bottle(at), timezone.now() - timedelta(minutes=40)
    shelf = places.location_get(lab=at.lab, name="Shelf 2")
    late = {"tapped_at": tapped.isoformat()}
    move = where(at, "containers", held.code, "move")
    assert post(client, move, 1, location=shelf.pk, **late).status_code == 302
    event = Event.objects.get(verb="told-late")
    assert (event.subject_id, event.data["form"]) == (held.pk, "move")
    assert event.data["told_at"] == tapped.isoformat()
    assert event.at - tapped > timedelta(minutes=30)
    assert post(client, move, 2, location=shelf.pk, **late).status_code == 400
    start = where(at, "runs", "start")
    assert post(client, start, 3, purpose="oat oil", distils="no", **late).status_code == 302
    assert Run.objects.get().started_at == tapped


def test_a_draw_for_a_run_that_was_never_started_goes_nowhere(client: Client, at: Club) -> None:
    held = bottle(at)
    draw, start = where(at, "containers", held.code, "draw"), where(at, "runs", "start")
    told = {"amount": "7", "unit": "mL", "to": f"begun:{KEY}02"}
    assert post(client, draw, 1, **told).status_code == 400
    assert post(client, start, 2, purpose="oat oil", distils="no").status_code == 302
    assert post(client, draw, 3, **told).status_code == 302
    assert Run.objects.get().sums.get().charged_ul == 7_000
    client.force_login(at.supervisor)
    assert post(client, draw, 4, **told).status_code == 400


def test_a_kept_form_is_not_taken_from_another_person(client: Client, at: Club) -> None:
    """Nor while nobody is signed in: 401 leaves it in the browser, and carries nothing out."""
    held = bottle(at)
    draw = where(at, "containers", held.code, "draw")
    told = {"key": KEY, "amount": "7", "unit": "mL", "to": "reaction"}
    for name, status in (("member", 401), ("steward", 204)):
        headers = {"X-Kept-Form": "1", "X-Kept-By": str(at.people[name].pk)}
        assert client.post(draw, told, headers=headers).status_code == status
    client.logout()
    assert client.post(draw, told, headers=headers).status_code == 401
    held.refresh_from_db()
    assert held.volume_ul == 493_000


def test_a_close_that_names_what_is_no_longer_missing_is_refused(client: Client, at: Club) -> None:
    """As one that waited for the network while somebody booked the rest."""
    start = where(at, "runs", "start")
    assert post(client, start, 1, purpose="oat oil", distils="no").status_code == 302
    close = where(at, "runs", Run.objects.get().pk, "close")
    gone = {"unit": "mL", "loss_1_air": "5"}
    assert post(client, close, 2, **gone).status_code == 400
    assert post(client, close, 3, unit="mL").status_code == 302
