"""What a supervisor settles for the whole lab: what to do in an emergency, and when alerts go on."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Event, Lab
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import shown, where

pytestmark = pytest.mark.django_db
TOLD = "Ring the caretaker (12), then 112."


@pytest.fixture
def at(client: Client) -> Club:
    made = factories.club(now=timezone.now())
    client.force_login(made.supervisor)
    return made


def as_it_stands(client: Client, at: Club) -> dict[str, Any]:
    """What the page's form sends when nothing in it was touched."""
    form: Any = client.get(where(at, "settings/")).context["form"]
    return {name: str(form[name].value()) for name in form.fields if form[name].value() is not None}


def test_a_page_without_words_for_an_emergency_leads_to_where_they_are_written(
    client: Client, at: Club
) -> None:
    Lab.objects.filter(pk=at.lab.pk).update(emergency_text="", contact="")
    assert where(at, "settings/") in shown(client, where(at, ""))
    assert (
        client.post(where(at, "settings/"), as_it_stands(client, at) | {"emergency_text": TOLD}).status_code
        == 302
    )
    assert TOLD in shown(client, where(at, ""))
    told: Any = Event.objects.get(verb="lab-edited").data
    assert told["after"] == {"emergency_text": TOLD}


def test_a_longer_wait_before_the_supervisors_hear_needs_a_reason(client: Client, at: Club) -> None:
    longer = at.lab.escalate_after_hours + 1
    typed = as_it_stands(client, at) | {"escalate_after_hours": longer}
    answer = client.post(where(at, "settings/"), typed)
    assert answer.status_code == 400
    assert f'value="{longer}"' in answer.content.decode()
    at.lab.refresh_from_db()
    assert at.lab.escalate_after_hours == longer - 1
    assert client.post(where(at, "settings/"), {**typed, "reason": "school holidays"}).status_code == 302
    at.lab.refresh_from_db()
    assert at.lab.escalate_after_hours == longer
