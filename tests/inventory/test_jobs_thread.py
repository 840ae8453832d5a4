"""The server's own job thread: keeps the schedule, bears faults, ends at once, and a kill loses nothing."""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from django.db import connection, transaction
from django.utils import timezone

from inventory.models import Alert, Job
from inventory.services import jobs
from tests.factories import club, stocked
from tests.inventory.processes import environment, start

pytestmark = pytest.mark.django_db(transaction=True)
WORKER = """
import pathlib, sys, threading, time, django
django.setup()
from inventory.services import jobs
home = pathlib.Path(sys.argv[1])

@jobs.task("stall", lease=jobs.timedelta(seconds=2))
def stall(payload, now):
    first = not (home / "stalled").exists()
    (home / "stalled").touch()
    time.sleep(600 if first else 0)
    (home / "done").write_text(payload["text"])

jobs.drain_forever(threading.Event())
"""


def until(what: Callable[[], object], seconds: float = 120) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


@contextmanager
def thread(idle_seconds: float = 0.05) -> Iterator[threading.Thread]:
    """The job thread, stopped and gone at the end of the block."""
    stop = threading.Event()
    running = threading.Thread(target=jobs.drain_forever, args=(stop,), kwargs={"idle_seconds": idle_seconds})
    running.start()
    try:
        yield running
    finally:
        stop.set()
        running.join(timeout=120)
    assert not running.is_alive()


@contextmanager
def without_table() -> Iterator[None]:
    """A database without its table of jobs, as in the middle of a restore."""
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE inventory_job RENAME TO away")
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("ALTER TABLE away RENAME TO inventory_job")


def undone() -> bool:
    return Job.objects.filter(done_at=None).exists()


def ask(name: str, key: str) -> None:
    now = timezone.now()
    jobs.enqueue(name=name, key=key, payload={"text": key}, due_at=now, now=now)


def test_it_sweeps_at_start_and_does_what_is_asked_later() -> None:
    at = club()
    stocked(at, "diethyl-ether", opened="opened", opened_on=None)
    with thread():
        until(lambda: Job.objects.count() >= len(jobs.SCHEDULE) and not undone())
        assert Alert.objects.get().rule == "opening-date-unknown"
        ask("prune", "by hand")
        until(lambda: not undone())
        assert Job.objects.get(key="by hand").attempts == 1


def test_it_ends_at_once() -> None:
    """Told to end, it does not sit out the ten minutes it would wait for more work; best of three."""
    taken = []
    for _ in range(3):
        with thread(idle_seconds=600):
            until(Job.objects.exists)
            until(lambda: not undone())
            asked_at = time.monotonic()
        taken.append(time.monotonic() - asked_at)
    assert min(taken) < 1


def test_a_fault_of_the_database_is_one_line_and_no_end(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, logger="inventory.services.jobs"), thread() as running:
        until(lambda: Job.objects.exists() and not undone())
        with without_table():
            until(lambda: "keeps trying" in caplog.text)
            time.sleep(0.5)
            assert running.is_alive()
        ask("prune", "after the fault")
        until(lambda: Job.objects.get(key="after the fault").done_at)
    lines = [record.getMessage() for record in caplog.records]
    assert sum("keeps trying" in line for line in lines) == 1
    assert sum("works again" in line for line in lines) == 1


def test_a_locked_database_only_delays_it(monkeypatch: pytest.MonkeyPatch) -> None:
    if connection.vendor == "sqlite":
        monkeypatch.setitem(connection.settings_dict["OPTIONS"], "timeout", 0.2)
    ask("prune", "while locked")
    with transaction.atomic():
        with connection.cursor() as cursor:  # SQLite's writer is alone from here; PostgreSQL has to be told
            if connection.vendor == "postgresql":
                cursor.execute("LOCK TABLE inventory_job IN ACCESS EXCLUSIVE MODE")
        stop = threading.Event()
        running = threading.Thread(target=jobs.drain_forever, args=(stop,), kwargs={"idle_seconds": 0.05})
        running.start()
        time.sleep(1)
        assert undone()
    until(lambda: not undone())
    stop.set()
    running.join(timeout=120)
    assert not running.is_alive()


def test_a_killed_process_loses_no_job(tmp_path: Path) -> None:
    ask("stall", "survivor")
    command = ["-c", WORKER, str(tmp_path)]
    env = environment(tmp_path)
    first = start(command, env)
    until((tmp_path / "stalled").exists)
    first.send_signal(signal.SIGKILL)
    first.communicate()
    assert Job.objects.get(name="stall").done_at is None
    second = start(command, env)
    try:
        until(lambda: Job.objects.get(name="stall").done_at)
    finally:
        second.kill()
        second.communicate()
    assert (tmp_path / "done").read_text() == "survivor"
    assert Job.objects.get(name="stall").attempts == 2


def test_the_command_does_what_is_due_and_ends(tmp_path: Path) -> None:
    stocked(club(), "diethyl-ether", opened="opened", opened_on=None)
    once = start(["manage.py", "work", "--once"], environment(tmp_path))
    assert f"{len(jobs.SCHEDULE)} job(s) done." in once.communicate(timeout=300)[0]
    assert once.returncode == 0
    assert Alert.objects.count() == 1


def test_the_command_ends_on_a_signal(tmp_path: Path) -> None:
    forever = start(["manage.py", "work"], environment(tmp_path))
    until(lambda: Job.objects.exists() and not undone())
    forever.send_signal(signal.SIGTERM)
    output = forever.communicate(timeout=120)[0]
    assert (forever.returncode, "Traceback" in output) == (0, False)


def test_processes_side_by_side_do_each_job_once(tmp_path: Path) -> None:
    now = timezone.now() - timedelta(seconds=1)
    for number in range(150):
        jobs.enqueue(name="append", key=f"job {number}", payload={"n": number}, due_at=now, now=now)
    program = (
        "import os, sys, django; django.setup()\n"
        "from django.utils import timezone\n"
        "from inventory.services import jobs\n"
        "fd = os.open(sys.argv[1], os.O_WRONLY | os.O_APPEND | os.O_CREAT)\n"
        "jobs.task('append')(lambda payload, now: os.write(fd, f\"{payload['n']} \".encode()))\n"
        "print(jobs.drain(now=timezone.now))"
    )
    target = tmp_path / "numbers"
    children = [start(["-c", program, str(target)], environment(tmp_path)) for _ in range(4)]
    outputs = [child.communicate(timeout=300)[0] for child in children]
    assert sum(int(output.split()[-1]) for output in outputs) == 150
    assert sorted(map(int, target.read_text().split())) == list(range(150))
