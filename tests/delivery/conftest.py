"""Mail and webhook receivers for the tests of delivery, and settings that lead there."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
from django.core.cache import cache

from inventory.api import throttle
from tests.delivery.hook_server import Hook, hook_server
from tests.delivery.mail_server import Mailbox, mail_server


@pytest.fixture(autouse=True)
def nobody_has_asked_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ids of feeds come again in the next test, within the same minute."""
    cache.clear()
    monkeypatch.setattr(throttle, "counter", type(throttle.counter)())


@pytest.fixture
def mailbox(settings: Any) -> Iterator[Mailbox]:
    """A mail server that the program is set up to use."""
    with mail_server() as (box, port):
        use_mail(settings, port)
        yield box


def use_mail(settings: Any, port: int) -> None:
    settings.STILLKEEP_SENDS_MAIL = True
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", port, 20
    settings.EMAIL_HOST_USER = settings.EMAIL_HOST_PASSWORD = ""
    settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False


@pytest.fixture
def hook(tmp_path: Path, settings: Any) -> Iterator[Hook]:
    """A receiver of webhooks on loopback, which the operator has allowed and whose certificate is trusted."""
    with hook_server(tmp_path) as served:
        settings.STILLKEEP_WEBHOOK_ALLOW = [ip_network("127.0.0.0/8"), ip_network("::1/128")]
        settings.STILLKEEP_WEBHOOK_CA = served.certificate
        settings.STILLKEEP_WEBHOOK_SECONDS = 20
        yield served
