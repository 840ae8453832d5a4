"""Secrets of webhooks lie sealed, and one that cannot be read stops its messages until there is a new one."""

from __future__ import annotations

import importlib
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
import standardwebhooks
from cryptography.fernet import Fernet
from django.apps import apps
from django.db import connection
from django.test import Client
from django.utils import timezone

from inventory.models import Delivery, Webhook
from inventory.rules.webhook_signing import new_secret
from inventory.services import sealing
from inventory.services.delivery import webhooks
from inventory.services.delivery.reach import reach_of
from inventory.services.delivery.webhook_keeping import UNREADABLE
from inventory.services.delivery.webhook_secrets import opened
from tests.delivery.alerting import alert, delivered, reachable
from tests.delivery.hook_server import Hook
from tests.factories import Club, club

pytestmark = pytest.mark.django_db
OTHER_KEY = "another key of the site, as long as one must be 0123456789"
MIGRATION: Any = importlib.import_module("inventory.migrations.0007_sealed_webhooks_and_notices")
EDITOR = SimpleNamespace(connection=connection)


@pytest.fixture
def at() -> Club:
    return club(now=timezone.now())


def listening(at: Club, url: str = "https://hooks.example.org/a") -> tuple[Webhook, str]:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": timezone.now()}
    return webhooks.webhook_add(**by, name="board", url=url)


def stored() -> Webhook:
    return Webhook.objects.get()


def test_no_secret_lies_in_plain_not_even_the_earlier_one(at: Club) -> None:
    hook, first = listening(at)
    _, second = webhooks.secret_rotate(lab=at.lab, actor=at.supervisor, now=timezone.now(), webhook=hook)
    held = stored()
    assert [opened(hook.pk, held.secret), opened(hook.pk, held.secret_before)] == [second, first]
    assert "whsec" not in held.secret + held.secret_before
    assert opened(hook.pk + 1, held.secret) is None, "the seal is that of one webhook"


def test_a_new_key_beside_the_old_one_changes_nothing_and_seals_anew(
    at: Club, hook: Hook, settings: Any
) -> None:
    _, secret = listening(at, hook.url)
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = OTHER_KEY, [settings.SECRET_KEY]
    now = timezone.now()
    alert(at, now=now)
    assert delivered(now) == {"sent": 1}
    settings.SECRET_KEY_FALLBACKS = []
    alert(at, now=now)
    assert delivered(now) == {"sent": 1}
    for headers, body in hook.received:
        standardwebhooks.Webhook(secret).verify(body, headers)


def test_each_secret_is_opened_once_in_a_run(at: Club, hook: Hook, monkeypatch: pytest.MonkeyPatch) -> None:
    listening(at, hook.url)
    now = timezone.now()
    for _ in range(5):
        alert(at, now=now)
    derived: list[str] = []
    real = sealing._lock

    def counted(key: str, purpose: str) -> Fernet:
        derived.append(purpose)
        return real(key, purpose)

    monkeypatch.setattr(sealing, "_lock", counted)
    assert delivered(now) == {"sent": 5}
    assert len(derived) == 2, "once to open it, once to see that the present key did"


@pytest.fixture
def lost(at: Club, hook: Hook, settings: Any) -> datetime:
    """A program whose message fails, as the key was changed without keeping the old one."""
    reachable(at, "supervisor", "steward")
    listening(at, hook.url)
    settings.OLD_KEY, settings.SECRET_KEY = settings.SECRET_KEY, OTHER_KEY
    now = timezone.now()
    alert(at, now=now)
    assert delivered(now) == {"never": 1}
    settings.STILLKEEP_SENDS_MAIL = True
    return now


def test_what_cannot_be_signed_is_not_sent_and_everybody_who_may_mend_it_sees_it(
    at: Club, hook: Hook, lost: datetime, client: Client
) -> None:
    row = Delivery.objects.get()
    assert (hook.received, row.failed_at, row.last_error) == ([], lost, UNREADABLE)
    assert (reach_of(at.lab).webhooks, reach_of(at.lab).webhooks_stopped) == (0, 1)
    client.force_login(at.steward)
    for page in ("", "deliveries/", "status/"):
        shown = client.get(f"/labs/{at.lab.slug}/{page}").content.decode()
        assert "Programs that are told of nothing until a supervisor sees to them" in shown, page
    client.force_login(at.supervisor)
    page = client.get(f"/labs/{at.lab.slug}/webhooks/").content.decode()
    assert "secret cannot be read" in page
    assert "make a new secret and give it to the program" in page
    assert 'value="try"' not in page, "it could only fail"


def test_with_a_new_secret_what_waited_goes_out(at: Club, hook: Hook, lost: datetime) -> None:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": lost}
    _, secret = webhooks.secret_rotate(**by, webhook=stored())
    held = stored()
    assert (held.unreadable_at, held.secret_before, held.secret_before_until) == (None, "", None)
    assert delivered(lost) == {"sent": 1}
    standardwebhooks.Webhook(secret).verify(hook.received[0][1], hook.received[0][0])


def test_with_the_former_key_again_nothing_was_lost(
    at: Club, hook: Hook, lost: datetime, settings: Any
) -> None:
    settings.SECRET_KEY_FALLBACKS, settings.STILLKEEP_SENDS_MAIL = [settings.OLD_KEY], False
    alert(at, now=lost)
    assert delivered(lost + timedelta(minutes=1)) == {"sent": 2}
    assert stored().unreadable_at is None


# -- the migration


def test_secrets_of_before_are_sealed_some_at_a_time_and_opened_on_the_way_back(
    at: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(MIGRATION, "BATCH", 2)
    plain = {listening(at)[0].pk: (new_secret(), new_secret() if odd else "") for odd in (0, 1, 0, 1, 0)}
    for pk, (secret, before) in plain.items():
        Webhook.objects.filter(pk=pk).update(secret=secret, secret_before=before)
    MIGRATION.seal_secrets(apps, EDITOR)
    sealed = {pk: rest for pk, *rest in Webhook.objects.values_list("pk", "secret", "secret_before")}
    for pk, (secret, before) in plain.items():
        assert opened(pk, sealed[pk][0]) == secret
        assert (opened(pk, sealed[pk][1]) or "") == before
    MIGRATION.seal_secrets(apps, EDITOR)
    again = {pk: rest for pk, *rest in Webhook.objects.values_list("pk", "secret", "secret_before")}
    assert again == sealed, "once is enough"
    MIGRATION.open_secrets(apps, EDITOR)
    assert {pk: tuple(rest) for pk, *rest in Webhook.objects.values_list("pk", *MIGRATION.COLUMNS)} == plain


def test_the_way_back_stops_at_a_secret_that_would_be_lost(at: Club, settings: Any) -> None:
    listening(at)
    sealed, settings.SECRET_KEY = stored().secret, OTHER_KEY
    with pytest.raises(RuntimeError, match="SECRET_KEY_FALLBACKS"):
        MIGRATION.open_secrets(apps, EDITOR)
    assert stored().secret == sealed
