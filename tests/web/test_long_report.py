"""A report too long to be made while somebody waits: a job makes it, the page has it when it is ready."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Job
from inventory.services import jobs
from inventory.services.inspection_reports import REPORT
from inventory.web import inspection
from tests import factories
from tests.factories import Club
from tests.rules.test_paper import pages, text_of
from tests.web.plain_forms import key_of, shown, where

pytestmark = pytest.mark.django_db
PERIOD = {"since": "2026-01-01", "until": "2026-06-30", "paper": "a4"}
MADE = "Open the PDF"


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Club:
    """A club whose two formers are more lines than are made at once."""
    monkeypatch.setattr(inspection, "AT_ONCE_MAX", 1)
    club = factories.club()
    for code in ("LEAF-1", "LEAF-2"):
        factories.stocked(club, "diethyl-ether", code=code, now=timezone.now())
    return club


def words_of(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer["Content-Type"] == "application/pdf"
    return " ".join(text_of(page) for page in pages(answer.content))


def asked(client: Client, at: Club, **told: str) -> Any:
    page = where(at, "inspection/")
    return client.post(page, {**PERIOD, "key": key_of(shown(client, page)), **told}, follow=True)


def test_a_long_report_is_a_job_and_stands_on_the_page_when_it_is_made(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    answer = client.get(where(at, "inspection.pdf"), PERIOD, follow=True)
    assert "have it made here" in answer.content.decode()
    assert 'value="2026-01-01"' in answer.content.decode()
    assert "it is being made" in asked(client, at).content.decode()
    assert client.get(where(at, "inspection/report.pdf")).status_code == 302
    before = timezone.now()
    jobs.drain(now=timezone.now)
    text = shown(client, where(at, "inspection/"))
    assert MADE in text
    assert "it is being made" not in text
    told = words_of(client, where(at, "inspection/report.pdf"))
    # The same facts as at once, stamped with when the job did it, in the zone of the lab.
    period = f"{PERIOD['since']} – {PERIOD['until']}"
    for words in ("LEAF-1", "LEAF-2", at.lab.policy.source, at.auditor.display_name, period):
        assert words in told
    assert any(f"{moment:%Y-%m-%d %H:%M}" in told for moment in _minutes(at, before))


def _minutes(at: Club, before: Any) -> list[Any]:
    return [timezone.localtime(moment, ZoneInfo(at.lab.time_zone)) for moment in (before, timezone.now())]


def test_it_is_in_the_language_of_who_asked_and_nobody_elses(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    page = where(at, "inspection/")
    client.post(page, {**PERIOD, "key": key_of(shown(client, page))}, headers={"accept-language": "de"})
    jobs.drain(now=timezone.now)
    assert "Peroxidbildner" in words_of(client, where(at, "inspection/report.pdf"))
    client.force_login(at.supervisor)
    assert MADE not in shown(client, page)
    assert client.get(where(at, "inspection/report.pdf")).status_code == 302


def test_a_double_tap_makes_one_and_a_new_wish_takes_its_place(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    page = where(at, "inspection/")
    told = {**PERIOD, "key": key_of(shown(client, page))}
    client.post(page, told)
    first = Job.objects.get(name=REPORT)
    client.post(page, told)
    assert Job.objects.get(name=REPORT).pk == first.pk
    asked(client, at, until="2026-05-31")
    second = Job.objects.get(name=REPORT)
    assert (second.pk, second.payload["until"]) != (first.pk, first.payload["until"])
    # A worker that is late with the first one leaves the second alone.
    jobs.TASKS[REPORT].work(first.payload, timezone.now())
    assert "pdf" not in Job.objects.get(pk=second.pk).payload


def test_one_that_cannot_be_made_says_so_and_a_wrong_period_is_mended(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    asked(client, at)
    Job.objects.filter(name=REPORT).update(failed_at=timezone.now(), last_error="MemoryError: no room")
    assert "It could not be made." in shown(client, where(at, "inspection/"))
    answer = asked(client, at, since="2026-07-01")
    assert answer.status_code == 400
    assert "The end comes before the beginning." in answer.content.decode()
