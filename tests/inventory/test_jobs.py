"""Jobs: asked for once, done at least once, tried a bounded number of times, whatever the clock does."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from inventory.models import Alert, Job
from inventory.services import jobs
from tests.factories import NOW, club, stocked

pytestmark = pytest.mark.django_db
SECOND, MINUTE, HOUR = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1)
Ran = list[tuple[Any, datetime]]


class Clock:
    """A wall clock that a test sets."""

    def __init__(self, now: datetime = NOW) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def register(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Register a task for the length of one test."""

    def add(name: str, work: jobs.Work, **options: Any) -> None:
        monkeypatch.setitem(jobs.TASKS, name, jobs.Task(name, work, options.get("lease", jobs.LEASE)))

    return add


@pytest.fixture
def ran(register: Callable[..., None]) -> Ran:
    """A task `note` that keeps what it was given."""
    calls: Ran = []
    register("note", lambda payload, now: calls.append((payload, now)))
    return calls


def ask(key: str = "one", *, name: str = "note", due_at: datetime = NOW, **payload: Any) -> bool:
    return jobs.enqueue(name=name, key=key, payload=payload, due_at=due_at, now=NOW)


def the_job() -> Job:
    return Job.objects.get()


def test_the_same_key_is_the_same_job(ran: Ran, clock: Clock) -> None:
    assert [ask(bottle=3), ask(bottle=4), ask("two", bottle=5)] == [True, False, True]
    assert jobs.drain(now=clock) == 2
    assert ran == [({"bottle": 3}, NOW), ({"bottle": 5}, NOW)]
    assert jobs.drain(now=clock) == 0
    assert ask() is False


def test_a_job_waits_for_its_time(ran: Ran, clock: Clock) -> None:
    ask(due_at=NOW + HOUR)
    assert (jobs.drain(now=clock), jobs.next_due(now=NOW)) == (0, HOUR)
    clock.now = NOW + HOUR
    assert (jobs.drain(now=clock), jobs.next_due(now=NOW)) == (1, None)


def test_a_claimed_job_comes_back_when_the_lease_runs_out(ran: Ran, clock: Clock) -> None:
    ask()
    assert [job.attempts for job in jobs.claim(limit=5, lease=MINUTE, now=NOW)] == [1]
    assert jobs.claim(limit=5, lease=MINUTE, now=NOW + MINUTE - SECOND) == []
    clock.now = NOW + MINUTE
    assert jobs.drain(now=clock) == 1
    assert (the_job().attempts, len(ran)) == (2, 1)


def test_a_claim_that_was_taken_over_does_nothing_and_spoils_nothing(ran: Ran, clock: Clock) -> None:
    ask()
    (slow,) = jobs.claim(limit=1, lease=MINUTE, now=NOW)
    (other,) = jobs.claim(limit=1, lease=MINUTE, now=NOW + MINUTE)
    assert jobs.run(job=slow, now=clock) is False
    assert jobs.run(job=other, now=clock) is True
    assert jobs.run(job=other, now=clock) is False
    assert len(ran) == 1


def test_a_failure_that_comes_late_does_not_undo_the_success(
    register: Callable[..., None], clock: Clock
) -> None:
    """The first worker stalls; a second one does the job; then the first one fails."""

    def stall(payload: Mapping[str, Any], now: datetime) -> None:
        register("stall", lambda payload, now: None)
        clock.now += MINUTE + SECOND
        (again,) = jobs.claim(limit=1, lease=MINUTE, now=clock.now)
        assert jobs.run(job=again, now=clock)
        raise OSError("the line went dead")

    register("stall", stall)
    ask(name="stall")
    (first,) = jobs.claim(limit=1, lease=MINUTE, now=NOW)
    assert jobs.run(job=first, now=clock) is False
    assert (the_job().done_at, the_job().last_error) == (clock.now, "")


def test_failures_are_put_off_ever_longer_and_end(register: Callable[..., None], clock: Clock) -> None:
    def fail(payload: Mapping[str, Any], now: datetime) -> None:
        raise OSError("the printer is out of paper")

    register("fail", fail)
    ask(name="fail")
    waits = []
    while the_job().failed_at is None:
        assert jobs.drain(now=clock) == 0
        waits.append(the_job().due_at - clock.now)
        clock.now = max(the_job().due_at, clock.now)
    assert len(waits) == the_job().attempts == jobs.ATTEMPTS_MAX
    for number, wait in enumerate(waits[:-1]):
        plain = min(jobs.BACKOFF_FIRST * 2**number, jobs.BACKOFF_MAX)
        assert plain / 2 <= wait <= plain * 1.5
    assert the_job().last_error == "OSError: the printer is out of paper"
    clock.now += timedelta(days=30)
    assert (jobs.drain(now=clock), jobs.next_due(now=clock.now)) == (0, None)


def test_waits_are_spread() -> None:
    assert len({jobs.backoff(3) for _ in range(20)}) > 10


def test_a_task_may_say_that_another_attempt_is_no_use(register: Callable[..., None], clock: Clock) -> None:
    def refuse(payload: Mapping[str, Any], now: datetime) -> None:
        raise jobs.NoUse("3 differences")

    register("refuse", refuse)
    ask(name="refuse")
    jobs.drain(now=clock)
    assert (the_job().attempts, the_job().failed_at, the_job().last_error) == (1, NOW, "NoUse: 3 differences")


def test_a_job_that_kills_every_worker_is_given_up(ran: Ran, clock: Clock) -> None:
    ask("killer")
    for _ in range(jobs.ATTEMPTS_MAX):
        assert jobs.claim(limit=1, lease=MINUTE, now=clock.now)
        clock.now += MINUTE
    ask("after it")
    assert jobs.drain(now=clock) == 1
    killer = Job.objects.get(key="killer")
    assert (killer.failed_at, killer.done_at) == (clock.now, None)
    assert "without an answer" in killer.last_error


def test_an_unknown_name_is_tried_again_later(clock: Clock, register: Callable[..., None]) -> None:
    """A newer server may have asked for it: after the upgrade this one knows the name."""
    ask(name="from-tomorrow")
    assert jobs.drain(now=clock) == 0
    assert "from-tomorrow" in the_job().last_error
    register("from-tomorrow", lambda payload, now: None)
    clock.now += HOUR
    assert jobs.drain(now=clock) == 1


def test_a_lease_of_its_own_holds(register: Callable[..., None], clock: Clock) -> None:
    seen = []
    register("long", lambda payload, now: seen.append(the_job().due_at - now), lease=2 * HOUR)
    ask(name="long")
    jobs.drain(now=clock)
    assert seen == [2 * HOUR]
    with pytest.raises(ValueError, match="longer than"):
        jobs.task("too-long", lease=4 * HOUR)


# -- the schedule


def names() -> list[str]:
    return sorted(Job.objects.values_list("key", flat=True))


def test_any_number_of_ticks_make_a_slot_once() -> None:
    made = [jobs.tick_due(now=NOW + n * SECOND) for n in range(0, 301, 20)]
    assert made[0] == len(jobs.SCHEDULE)
    # 14:30:00 begins a slot of five minutes; 14:35:00 the next. Messages have a slot every minute.
    assert sum(made[1:]) == 1 + 5
    sweeps = [key for key in names() if key.startswith("sweep")]
    assert sweeps == ["sweep@2026-03-10T14:30:00Z", "sweep@2026-03-10T14:35:00Z"]


def test_a_start_sweeps_at_once_even_within_a_slot() -> None:
    jobs.tick_due(now=NOW)
    for _ in range(3):
        jobs.tick_due(now=NOW + 2 * MINUTE, starting=True)
    sweeps = [key for key in names() if key.startswith("sweep")]
    assert sweeps == ["sweep@2026-03-10T14:30:00Z", "sweep@start-2026-03-10T14:32Z"]


@pytest.mark.parametrize("jump", [HOUR, timedelta(days=400)])
def test_a_clock_set_back_neither_stops_nor_doubles(ran: Ran, clock: Clock, jump: timedelta) -> None:
    for step in range(12):
        jobs.tick_due(now=NOW + step * 5 * MINUTE)
    before = sweeps()
    clock.now = NOW + HOUR - jump
    ticks = [jobs.tick(name="sweep", slot=slot(clock.now), now=clock.now) for _ in range(3)]
    assert ticks == [True, False, False]
    clock.now += 5 * MINUTE
    assert jobs.tick(name="sweep", slot=slot(clock.now), now=clock.now)
    assert sweeps() == before + 2


def slot(now: datetime) -> str:
    return jobs.SCHEDULE[0].slot(now)


def sweeps() -> int:
    return Job.objects.filter(name="sweep").count()


def test_a_clock_set_forward_skips_what_is_past() -> None:
    jobs.tick_due(now=NOW)
    assert jobs.tick_due(now=NOW + timedelta(days=3)) == len(jobs.SCHEDULE)
    assert sweeps() == 2


def test_what_a_wrong_clock_put_off_for_a_year_is_done_now(ran: Ran, clock: Clock) -> None:
    ahead = NOW + timedelta(days=400)
    jobs.enqueue(name="note", key="made then", payload={}, due_at=ahead, now=ahead)
    ask("leased then")
    assert len(jobs.claim(limit=5, lease=MINUTE, now=ahead)) == 2
    jobs.enqueue(name="note", key="new then", payload={}, due_at=ahead, now=ahead)
    ask("wanted later", due_at=NOW + timedelta(days=30))
    assert jobs.drain(now=clock) == 3
    assert Job.objects.get(done_at=None).key == "wanted later"


def test_slots_begin_at_their_offset() -> None:
    daily = jobs.Scheduled("x", timedelta(days=1), offset=2 * HOUR)
    moments = [datetime(2026, 3, 10, hour, 59, 59, tzinfo=UTC) for hour in (1, 2, 23)]
    assert [daily.slot(moment)[:13] for moment in moments] == [
        "2026-03-09T02",
        "2026-03-10T02",
        "2026-03-10T02",
    ]


def test_every_scheduled_name_is_a_task_that_runs(clock: Clock) -> None:
    at = club()
    stocked(at, "diethyl-ether", opened="opened", opened_on=None)
    jobs.tick_due(now=NOW)
    assert jobs.drain(now=clock) == len(jobs.SCHEDULE)
    assert Alert.objects.get().rule == "opening-date-unknown"
    assert not Job.objects.filter(done_at=None).exists()


def test_the_audit_fails_loudly(clock: Clock, caplog: pytest.LogCaptureFixture) -> None:
    bottle = stocked(club(), "diethyl-ether")
    type(bottle).objects.filter(pk=bottle.pk).update(volume_ul=1)
    jobs.tick_due(now=NOW)
    with caplog.at_level(logging.ERROR):
        jobs.drain(now=clock)
    audit = Job.objects.get(name="audit")
    assert audit.failed_at == NOW
    assert "container-balance" in audit.last_error
    assert any("audit" in line.getMessage() for line in caplog.records)


def test_old_jobs_are_forgotten_and_waiting_ones_never(ran: Ran, clock: Clock) -> None:
    ask("done")
    jobs.drain(now=clock)
    ask("waiting")
    Job.objects.create(name="x", key="failed", due_at=NOW, created_at=NOW, failed_at=NOW)
    assert jobs.prune(now=NOW + jobs.DONE_KEPT_FOR) == 0
    assert jobs.prune(now=NOW + jobs.DONE_KEPT_FOR + SECOND) == 1
    assert jobs.prune(now=NOW + timedelta(days=4000)) == 1
    assert names() == ["waiting"]
