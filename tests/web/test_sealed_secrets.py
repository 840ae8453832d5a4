"""The secret of one-time codes lies sealed in the database, and a change of the site's key is survived."""

from __future__ import annotations

import base64
import importlib
from types import SimpleNamespace
from typing import Any

import pytest
from cryptography.fernet import Fernet
from cryptography.hazmat.primitives import hashes, hmac
from django.apps import apps
from django.contrib.sessions.models import Session
from django.db import connection
from django.test import Client

from inventory.models import SecondFactor, User
from inventory.services.sealing import seal, unseal
from tests import factories
from tests.web.test_second_step import PROVED, code_of, forget_steps, inside, to_second, turned_on

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_attempts")]
OTHER_KEY = "another key of the site, as long as one must be 0123456789"
MIGRATION = "inventory.migrations.0006_confirmed_mail_and_sealed_secrets"


@pytest.fixture
def ada() -> User:
    return factories.person("ada")


@pytest.fixture
def at_home(client: Client, ada: User) -> Client:
    client.force_login(ada)
    return client


def hkdf(key: bytes, info: bytes) -> bytes:
    """RFC 5869, 2.2 and 2.3, for one block of SHA-256 and no salt; worked out here with HMAC alone."""

    def mac(secret: bytes, text: bytes) -> bytes:
        one = hmac.HMAC(secret, hashes.SHA256())
        one.update(text)
        return one.finalize()

    return mac(mac(bytes(32), key), info + b"\x01")


def test_the_key_is_derived_by_the_published_rule(settings: Any) -> None:
    key = hkdf(settings.SECRET_KEY.encode(), b"stillkeep this purpose")
    sealed = seal("word", purpose="this purpose")
    assert Fernet(base64.urlsafe_b64encode(key)).decrypt(sealed.encode()) == b"word"
    assert (unseal(sealed, purpose="this purpose"), unseal(sealed, purpose="another")) == ("word", None)
    assert [unseal(each, purpose="this purpose") for each in ("", "word", sealed[:-4], "ä")] == [None] * 4


def test_neither_the_table_nor_the_session_tells_the_secret(at_home: Client) -> None:
    on = turned_on(at_home)
    assert on.secret not in SecondFactor.objects.get().secret
    for session in Session.objects.all():
        told = str(session.get_decoded())
        assert on.secret not in told
        assert not [code for code in on.codes if code in told]


def test_a_new_key_beside_the_old_one_changes_nothing_and_seals_anew(at_home: Client, settings: Any) -> None:
    on = turned_on(at_home)
    forget_steps()
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = OTHER_KEY, [settings.SECRET_KEY]
    other = to_second()
    assert other.post("/login/second/", {"code": code_of(on.secret)}).status_code == 302
    settings.SECRET_KEY_FALLBACKS = []
    forget_steps()
    assert to_second().post("/login/second/", {"code": code_of(on.secret)}).status_code == 302


def test_a_new_key_alone_leaves_the_recovery_codes_and_says_so(at_home: Client, settings: Any) -> None:
    on = turned_on(at_home)
    forget_steps()
    settings.SECRET_KEY = OTHER_KEY
    other = to_second()
    assert "The key of this server was changed" in other.get("/login/second/").content.decode()
    assert other.post("/login/second/", {"code": code_of(on.secret)}).status_code == 400
    assert not inside(other)
    other.post("/login/second/", {"code": on.codes[0]})
    page = other.get("/you/second-step/").content.decode()
    assert "Turn the second step off here" in page
    assert other.post("/you/second-step/", PROVED)["Location"] == "/you/"
    again = turned_on(other)
    forget_steps()
    assert to_second().post("/login/second/", {"code": code_of(again.secret)}).status_code == 302


def test_secrets_of_before_are_sealed_some_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    migration: Any = importlib.import_module(MIGRATION)
    monkeypatch.setattr(migration, "BATCH", 2)
    people = [factories.person(f"p{number}") for number in range(5)]
    for at, person in enumerate(people):
        secret = "JBSWY3DPEHPK3PX" + "ABCDE"[at]
        now = factories.NOW
        SecondFactor.objects.create(user=person, secret=secret, last_step=0, started_at=now)
    editor = SimpleNamespace(connection=connection)
    migration.seal_secrets(apps, editor)
    first = dict(SecondFactor.objects.values_list("user_id", "secret"))
    for at, person in enumerate(people):
        opened = unseal(first[person.pk], purpose=f"one-time codes of {person.pk}")
        assert opened == "JBSWY3DPEHPK3PX" + "ABCDE"[at]
    migration.seal_secrets(apps, editor)
    assert dict(SecondFactor.objects.values_list("user_id", "secret")) == first, "once is enough"


def test_addresses_of_before_count_as_confirmed() -> None:
    migration: Any = importlib.import_module(MIGRATION)
    for name, email in (("ada", "ada@example.org"), ("kim", "")):
        User.objects.filter(pk=factories.person(name).pk).update(email=email)
    migration.count_as_confirmed(apps, SimpleNamespace(connection=connection))
    told = User.objects.order_by("username").values_list("mail_confirmed", flat=True)
    assert list(told) == ["ada@example.org", ""]
