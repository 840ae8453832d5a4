"""Workers killed in the middle of a sweep, again and again: no alert is lost and none is opened twice."""

from __future__ import annotations

import os
import signal
import time
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone

from inventory.models import Alert, Container, Job
from tests import servers
from tests.factories import club, stocked
from tests.faults.celery_programs import Kept, running, wait_for
from tests.inventory.processes import environment, start

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.full]
QUICK = "tests.faults.quick_celery"
KILLS = 50


def bottles_not_due(count: int) -> list[Container]:
    at = club()
    bottles = [stocked(at, "diethyl-ether", "10 mL") for _ in range(count)]
    Container.objects.update(next_test_due=timezone.now().date() + timedelta(days=365))
    return bottles


def make_overdue(bottle: Container) -> None:
    past = timezone.now().date() - timedelta(days=2)
    Container.objects.filter(pk=bottle.pk).update(next_test_due=past)


def overdue() -> list[int]:
    return list(
        Alert.objects.filter(rule="retest-overdue")
        .order_by("subject_id")
        .values_list("subject_id", flat=True)
    )


def test_fifty_kills_inside_a_sweep_lose_nothing_and_double_nothing(tmp_path: Path, redis_url: str) -> None:
    """Each kill hits a worker that has inserted alerts and not yet committed them."""
    bottles = bottles_not_due(KILLS)
    inside = tmp_path / "inside"
    (tmp_path / "pause").touch()
    killed: list[int] = []
    with running(tmp_path, redis_url) as begin:
        for number in range(2):
            begin(QUICK, "worker", "--concurrency", "1", "--hostname", f"w{number}@%h")
        begin(QUICK, "beat")
        for bottle in bottles:
            make_overdue(bottle)
            wait_for(inside.exists, tmp_path)
            killed.append(int(inside.read_text()))
            inside.unlink()
            os.kill(killed[-1], signal.SIGKILL)
        assert overdue() == []
        (tmp_path / "pause").unlink()
        inside.unlink(missing_ok=True)
        wait_for(lambda: len(overdue()) >= KILLS, tmp_path, seconds=180)
        before = Job.objects.filter(name="sweep", done_at__isnull=False).count()
        wait_for(
            lambda: Job.objects.filter(name="sweep", done_at__isnull=False).count() >= before + 3, tmp_path
        )
    assert len(killed) == len(set(killed)) == KILLS
    assert overdue() == sorted(bottle.pk for bottle in bottles)
    print(f"{KILLS} workers killed inside a sweep: {len(overdue())} alerts for {len(bottles)} bottles")


def test_a_redis_that_dies_and_comes_back_empty_holds_nothing_up_for_long(tmp_path: Path) -> None:
    """Celery mostly waits for the broker by itself; now and then it ends instead, and has to be kept."""
    bottles = bottles_not_due(4)
    with servers.redis_server() as broker, running(tmp_path, broker.url) as begin:
        programs = [
            Kept(lambda: begin(QUICK, "worker", "--concurrency", "2")),
            Kept(lambda: begin(QUICK, "beat")),
        ]
        try:
            for count, bottle in enumerate(bottles, start=1):
                make_overdue(bottle)
                wait_for(lambda: len(overdue()) == count, tmp_path, seconds=180)  # noqa: B023 - at once
                broker.kill()
                broker.start()
        finally:
            for each in programs:
                each.stop()
    assert overdue() == sorted(bottle.pk for bottle in bottles)


@pytest.mark.once  # its database is a server of its own
def test_a_postgresql_that_goes_down_and_comes_back_loses_no_alert(tmp_path: Path, redis_url: str) -> None:
    """A server of its own, stopped as if the power went, twice, while workers and a beat are at work."""
    import psycopg

    if servers.postgres_programs() is None:
        pytest.skip("PostgreSQL is not installed")
    with servers.temp_postgres() as url:
        env = {"DATABASE_URL": url}
        prepared = start(["-m", "tests.faults.overdue_lab"], environment(tmp_path, **env))
        assert prepared.wait(timeout=300) == 0, prepared.stdout and prepared.stdout.read()

        def opened(database: str = url) -> list[int]:
            with psycopg.connect(database) as connection:
                found = connection.execute(
                    "SELECT subject_id FROM inventory_alert WHERE rule = 'retest-overdue' ORDER BY 1"
                )
                return [row[0] for row in found]

        def make_next_overdue() -> None:
            with psycopg.connect(url) as connection:
                connection.execute(
                    "UPDATE inventory_container SET next_test_due = CURRENT_DATE - 2 WHERE id = "
                    "(SELECT min(id) FROM inventory_container WHERE next_test_due > CURRENT_DATE)"
                )

        with running(tmp_path, redis_url, **env) as begin:
            begin(QUICK, "worker", "--concurrency", "2")
            begin(QUICK, "beat")
            for count in (1, 2, 3):
                make_next_overdue()
                wait_for(lambda: len(opened()) == count, tmp_path, seconds=180)  # noqa: B023 - at once
                if count < 3:
                    with servers.postgres_away(url):
                        time.sleep(2)
        assert len(opened()) == len(set(opened())) == 3
