"""Real workers and beats over a real Redis: twice as many change nothing, and no loss loses a job."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import redis
from django.utils import timezone

from inventory.models import Alert, Container, Job
from inventory.services import jobs
from tests.factories import club, stocked
from tests.faults.celery_programs import kill, running, wait_for
from tests.inventory.processes import environment, start

pytestmark = pytest.mark.django_db(transaction=True)
QUICK = "tests.faults.quick_celery"


@pytest.fixture
def broker(redis_url: str) -> Iterator[redis.Redis]:
    client = redis.Redis.from_url(redis_url)
    client.flushall()
    yield client
    client.flushall()
    client.close()


def notes(home: Path) -> list[str]:
    path = home / "notes"
    return path.read_text().split() if path.exists() else []


def ask(name: str, text: str) -> None:
    now = timezone.now()
    jobs.enqueue(name=name, key=text, payload={"text": text}, due_at=now, now=now)


def swept() -> int:
    return Job.objects.filter(name="sweep", done_at__isnull=False).count()


def test_workers_and_beats_in_pairs_open_each_alert_once_and_outlive_redis(
    tmp_path: Path, redis_url: str, broker: redis.Redis
) -> None:
    at = club()
    bottles = [stocked(at, "diethyl-ether") for _ in range(8)]
    past = timezone.now().date() - timedelta(days=2)
    Container.objects.filter(pk__in=[b.pk for b in bottles]).update(next_test_due=past)
    with running(tmp_path, redis_url) as begin:
        for number in range(2):
            begin(QUICK, "worker", "--concurrency", "2", "--hostname", f"w{number}@%h")
            begin(QUICK, "beat")
        wait_for(lambda: swept() >= 6, tmp_path)
        broker.flushall()
        ask("note", "after-the-flush")
        before = swept()
        wait_for(lambda: notes(tmp_path) and swept() >= before + 3, tmp_path)
    assert Alert.objects.filter(rule="retest-overdue", closed_at=None).count() == len(bottles)
    assert Alert.objects.count() == len(bottles)
    assert notes(tmp_path) == ["after-the-flush"]
    assert not Job.objects.filter(attempts__gt=1).exists()


def test_a_job_whose_worker_is_killed_is_done_by_the_next(
    tmp_path: Path, redis_url: str, broker: redis.Redis
) -> None:
    ask("stall", "survivor")
    with running(tmp_path, redis_url) as begin:
        first = begin(QUICK, "worker", "--concurrency", "1", "--hostname", "first@%h")
        beat = begin(QUICK, "beat")
        wait_for((tmp_path / "stalled").exists, tmp_path)
        assert os.getpgid(int((tmp_path / "stalled").read_text())) == first.pid
        kill(first)
        assert notes(tmp_path) == []
        assert Job.objects.get(name="stall").done_at is None
        begin(QUICK, "worker", "--concurrency", "1", "--hostname", "second@%h")
        wait_for(lambda: Job.objects.get(name="stall").done_at, tmp_path)
        assert beat.poll() is None
    assert notes(tmp_path) == ["survivor"]
    assert Job.objects.get(name="stall").attempts == 2


def test_the_app_as_it_is_deployed_sweeps_when_a_worker_starts(
    tmp_path: Path, redis_url: str, broker: redis.Redis
) -> None:
    stocked(club(), "diethyl-ether", opened="opened", opened_on=None)
    with running(tmp_path, redis_url) as begin:
        begin("deploy", "worker", "--concurrency", "1")
        wait_for(Alert.objects.filter(rule="opening-date-unknown").exists, tmp_path)
        wait_for(lambda: not Job.objects.filter(done_at=None).exists(), tmp_path)
    scheduled = {each.name for each in jobs.SCHEDULE}
    assert set(Job.objects.values_list("name", flat=True)) == scheduled


@pytest.mark.parametrize("program", ["worker", "beat"])
def test_without_a_broker_it_says_so(tmp_path: Path, program: str) -> None:
    env = environment(tmp_path)
    env.pop("REDIS_URL", None)
    child = start(["-m", "celery", "-A", "deploy", program], env)
    output = child.communicate(timeout=120)[0]
    assert child.returncode != 0
    assert "REDIS_URL is not set" in output
    assert "Traceback" not in output
