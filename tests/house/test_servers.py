"""The private servers start, answer, and leave nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psycopg
import pytest
import redis

from tests import servers

ROOT = Path(__file__).resolve().parents[2]


def test_postgres_answers_and_is_gone_afterwards() -> None:
    if servers.postgres_programs() is None:
        pytest.skip("PostgreSQL is not installed")
    with servers.temp_postgres() as url:
        folder = Path(url.split("host=")[1])
        with psycopg.connect(url) as connection:
            row = connection.execute("SELECT current_setting('server_version_num')::int").fetchone()
        assert row is not None
        assert row[0] >= 140000  # Django 5.2's oldest PostgreSQL, by its release notes
    assert not folder.exists()
    with pytest.raises(psycopg.OperationalError):
        psycopg.connect(url)


def test_redis_answers_and_is_gone_afterwards(redis_url: str) -> None:
    with servers.temp_redis() as url:
        client = redis.Redis.from_url(url)
        client.set("key", "value")
        assert client.get("key") == b"value"
        client.close()
    assert not Path(url.removeprefix("unix://")).parent.exists()
    assert redis.Redis.from_url(redis_url).ping()  # the other one lives on


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_program_takes_its_server_down(sent: signal.Signals, redis_url: str) -> None:
    program = (
        "import signal, sys, time; signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))\n"
        # What a shell starts in the background is born deaf to Ctrl-C.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from tests.servers import temp_redis\n"
        "with temp_redis() as url: print(url, flush=True); time.sleep(60)"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", program],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert child.stdout is not None
    url = child.stdout.readline().strip()
    assert redis.Redis.from_url(url).ping()
    os.kill(child.pid, sent)
    child.wait(timeout=60)
    child.stdout.close()
    with pytest.raises(redis.ConnectionError):
        redis.Redis.from_url(url).ping()
    assert not Path(url.removeprefix("unix://")).parent.exists()


def test_free_port_is_free() -> None:
    started = time.monotonic()
    ports = {servers.free_port() for _ in range(20)}
    assert all(1024 <= port < 65536 for port in ports)
    assert time.monotonic() - started < 5
