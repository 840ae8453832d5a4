"""A busy or absent database asks callers to come again; a caller who asks too often is asked to wait."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from threading import Timer
from typing import Any

import psycopg
import pytest
from django.core.cache import cache
from django.core.cache.backends.redis import RedisCache
from django.db import OperationalError, connection
from django.test import Client, override_settings
from django.utils import timezone

from inventory.api import throttle
from inventory.api.overload import is_overload
from inventory.models import Movement
from tests import servers
from tests.api.client import Api, base, token_for
from tests.factories import club, stocked
from tests.inventory.processes import start


@pytest.fixture
def _impatient() -> Iterator[None]:
    """A short wait for SQLite's lock."""
    options, before = connection.settings_dict["OPTIONS"], connection.settings_dict["OPTIONS"].get("timeout")
    connection.close()
    options["timeout"] = 0.1
    yield
    connection.close()
    options["timeout"] = before


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
@pytest.mark.usefixtures("_impatient")
def test_a_held_write_lock_is_503_and_the_same_key_does_the_work_once() -> None:
    at, now = club(now=timezone.now()), timezone.now()
    stocked(at, "ethyl-acetate", code="B-1", now=now, received_on=now.date())
    api, key = Api(token=token_for(at, "member", "log")), str(uuid.uuid4())
    api.get("/api/v1/me/")  # notes the token's use, so that what waits below is the draw
    head = Client(raise_request_exception=False)
    head.force_login(at.supervisor)
    address = f"{base(at)}containers/B-1/draws/"
    other = sqlite3.connect(str(connection.settings_dict["NAME"]), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        busy = api.post(address, {"volume": "10 mL"}, key=key)
        page = head.post("/labs/biscuit-club/invite/", {"role": "member", "key": "once"})
        read = api.get(f"{base(at)}containers/B-1/")
    finally:
        other.execute("ROLLBACK")
        other.close()
    assert (busy.status_code, busy.json()["code"], busy["Retry-After"]) == (503, "busy", "5")
    assert busy["Content-Type"] == "application/problem+json"
    assert read.status_code == 200  # WAL: readers do not wait for a writer
    assert (page.status_code, page["Retry-After"]) == (503, "5")
    assert "Busy just now" in page.content.decode()
    assert not Movement.objects.filter(kind="draw").exists()
    done = api.post(address, {"volume": "10 mL"}, key=key)
    again = api.post(address, {"volume": "10 mL"}, key=key)
    assert (done.status_code, again.status_code, again.content) == (201, 201, done.content)
    assert Movement.objects.filter(kind="draw").count() == 1


@pytest.mark.once
@pytest.mark.django_db
def test_a_fault_in_a_statement_is_not_taken_for_a_busy_database() -> None:
    with pytest.raises(OperationalError) as caught, connection.cursor() as cursor:
        cursor.execute("SELECT * FROM no_such_table")
    assert not is_overload(caught.value)
    assert not is_overload(ValueError("locked"))


PROBE = """
import json, sys, threading, django
django.setup()
from django.conf import settings
settings.ALLOWED_HOSTS = ["testserver"]
settings.DATABASES["default"]["OPTIONS"]["pool"] = {"min_size": 1, "max_size": 1, "timeout": 0.5}
from django.core.management import call_command
from django.db import close_old_connections, connection
from django.utils import timezone
from inventory.models import Movement
from tests.api.client import Api, base, token_for
from tests.factories import club, stocked

call_command("migrate", verbosity=0)
now = timezone.now()
at = club(now=now)
stocked(at, "ethyl-acetate", code="B-1", now=now, received_on=now.date())
api = Api(token=token_for(at, "member", "log"))

def hold(taken, enough):
    connection.ensure_connection()
    taken.set()
    enough.wait()
    connection.close()

print("ready", flush=True)
for line in sys.stdin:
    holders = []
    if line.strip() == "held":
        connection.close()
        taken, enough = threading.Event(), threading.Event()
        holders = [threading.Thread(target=hold, args=(taken, enough), daemon=True)]
        holders[0].start()
        taken.wait()
    answer = api.post(f"{base(at)}containers/B-1/draws/", {"volume": "10 mL"}, key="one-key")
    close_old_connections()  # as at the end of every request to a server
    page = api.client.get("/login/")
    close_old_connections()
    for holder in holders:
        enough.set()
        holder.join()
    drawn = Movement.objects.filter(kind="draw").count() if answer.status_code == 201 else None
    print(json.dumps([answer.status_code, answer.get("Retry-After"), page.status_code, drawn]), flush=True)
"""


@pytest.fixture
def probe() -> Iterator[tuple[Callable[[str], Any], ExitStack, str]]:
    """A process on a PostgreSQL of its own: (ask it, what ends the server, DATABASE_URL)."""
    if servers.postgres_programs() is None:
        pytest.skip("PostgreSQL is not installed")
    with ExitStack() as server:
        url = server.enter_context(servers.temp_postgres())
        test = {"STILLKEEP_TEST_DB": "postgresql", "STILLKEEP_TEST_DATABASE_URL": url}
        env = {**os.environ, **test, "DJANGO_SETTINGS_MODULE": "tests.settings"}
        process = start(["-c", PROBE], env, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL)
        watchdog = Timer(60, process.kill)
        watchdog.start()
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"

        def ask(order: str) -> Any:
            process.stdin.write(f"{order}\n")  # type: ignore[union-attr]
            process.stdin.flush()  # type: ignore[union-attr]
            return json.loads(process.stdout.readline())  # type: ignore[union-attr]

        yield ask, server, url
        watchdog.cancel()
        process.kill()
        process.communicate()


@pytest.mark.once
def test_a_postgresql_that_is_away_is_503_and_the_same_key_does_the_work_once(probe: Any) -> None:
    ask, server, url = probe
    assert ask("held") == [503, "5", 503, None]  # no connection free in the pool
    with psycopg.connect(url, autocommit=True) as admin:
        admin.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid()")
    assert ask("cut off")[:2] == [503, "5"]
    assert ask("back") == [201, None, 200, 1]
    assert ask("again") == [201, None, 200, 1]
    server.close()
    assert ask("stopped") == [503, "5", 503, None]


# -- too many requests


def _until_refused(api: Api, most: int) -> tuple[int, Any]:
    for number in range(most + 1):
        answer = api.get("/api/v1/me/")
        if answer.status_code == 429:
            return number, answer
    raise AssertionError("never refused")


@pytest.fixture
def _counted(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A fresh count in a minute that does not end."""
    cache.clear()
    throttle.counter.clear()
    monkeypatch.setattr(throttle, "time", lambda: 1_200_000_015.0)
    with override_settings(STILLKEEP_API_PER_MINUTE=40):
        yield
    cache.clear()
    throttle.counter.clear()


@pytest.mark.django_db
@pytest.mark.usefixtures("_counted")
def test_each_token_person_and_address_has_a_bound_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    at = club(now=timezone.now())
    first, second = (Api(token=token_for(at, "member", scope)) for scope in ("read", "log"))
    granted, refused = _until_refused(first, 40)
    assert granted == 40
    assert (refused.json()["code"], refused["Retry-After"]) == ("throttled", "45")
    assert second.get("/api/v1/me/").status_code == 200
    assert _until_refused(Api(at.member), 40)[0] == 40
    answers = [Api(token=token).get("/api/v1/me/").status_code for token in ("", "made-up.1") * 3]
    assert sorted(answers) == [401] * 4 + [429] * 2
    monkeypatch.setattr(throttle, "time", lambda: 1_200_000_061.0)
    assert first.get("/api/v1/me/").status_code == 200


@pytest.mark.django_db
@pytest.mark.usefixtures("_counted")
def test_without_a_bound_nothing_is_counted() -> None:
    with override_settings(STILLKEEP_API_PER_MINUTE=0), pytest.raises(AssertionError, match="never"):
        _until_refused(Api(club(now=timezone.now()).member), 60)


@pytest.mark.once
def test_processes_share_a_bound_through_redis(redis_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two counters stand for two processes: each sees the other through the cache alone."""
    monkeypatch.setattr(throttle, "cache", RedisCache(redis_url, {}))
    counters = [throttle.Counter(), throttle.Counter()]
    granted = sum(counters[n % 2].take("token-7", 600, 6000.0) == 0 for n in range(1000))
    assert granted == 600
    spread = throttle.Counter()
    assert spread.take("token-7", 600, 6000.0) == 60


@pytest.mark.once
def test_a_cache_that_does_not_answer_refuses_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(throttle, "cache", RedisCache("unix:///nowhere/socket", {}))
    counter = throttle.Counter()
    assert all(counter.take("token-7", 60, 6000.0) == 0 for _ in range(100))
