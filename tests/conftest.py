"""Shared fixtures, the choice of database, and the rule that nothing may be skipped in a full run."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests import servers

ON_POSTGRESQL = os.environ.get("STILLKEEP_TEST_DB", "sqlite") == "postgresql"
RULES_HERE = os.environ.get("STILLKEEP_TEST_RULES_HERE") == "1"
FULL = os.environ.get("STILLKEEP_TEST_FULL") == "1"
DATABASE_FIXTURES = {"db", "transactional_db", "django_db_reset_sequences", "live_server", "client_db"}
RULES = (Path(__file__).parent / "rules", Path(__file__).parent / "recovery/rules")
skipped: list[str] = []

# How long one example takes says more of what else the machine does than of the code. The same examples every
# time, so that what a change broke is told from what was always there; to look for others, ask for new ones.
NEW_EXAMPLES = int(os.environ.get("STILLKEEP_TEST_NEW_EXAMPLES", "0"))
settings.register_profile(
    "stillkeep", deadline=None, derandomize=not NEW_EXAMPLES, max_examples=NEW_EXAMPLES or 100
)
settings.load_profile("stillkeep")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "full: takes long or fetches packages; runs with --full alone")
    config.addinivalue_line("markers", "once: the database makes no difference; not repeated on PostgreSQL")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what this pass is not for: deselected, so that a skip always means something was missing."""
    left_out = [item for item in items if not _belongs(item)]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in set(left_out)]


@pytest.hookimpl(trylast=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """What was loaded and collected stays to the end: to look for garbage in it is waste."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


def _belongs(item: pytest.Item) -> bool:
    if item.get_closest_marker("full") and not FULL:
        return False
    if RULES_HERE and any(item.path.is_relative_to(folder) for folder in RULES):
        return True
    return not ON_POSTGRESQL or (_uses_database(item) and not item.get_closest_marker("once"))


def _uses_database(item: pytest.Item) -> bool:
    from django.test import TransactionTestCase

    if item.get_closest_marker("django_db") or DATABASE_FIXTURES & set(getattr(item, "fixturenames", ())):
        return True
    kind = getattr(item, "cls", None)
    return bool(kind and issubclass(kind, TransactionTestCase))


@pytest.fixture(autouse=True)
def _no_language_left_behind() -> Iterator[None]:
    """A request leaves its language active in the thread, where the next test would speak it."""
    from django.utils import translation

    yield
    translation.deactivate()


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.skipped:
        skipped.append(report.nodeid)


def pytest_collectreport(report: pytest.CollectReport) -> None:
    if report.skipped:
        skipped.append(report.nodeid)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """A full run with a skip is a failed run."""
    if FULL and skipped and exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if FULL and skipped:
        terminalreporter.section("a full run may skip nothing", red=True)
        for nodeid in skipped:
            terminalreporter.line(f"skipped: {nodeid}")


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None) -> Iterator[None]:
    """The test database; emptying it after a test that commits would meet the append-only triggers."""
    from django.db import connection
    from django.test import TransactionTestCase

    from inventory.models import append_only

    empty = TransactionTestCase._fixture_teardown  # type: ignore[attr-defined]  # Django has no public hook

    def emptied(case: TransactionTestCase) -> None:
        with append_only.suspended(connection):
            empty(case)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", emptied)
        yield


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """DATABASE_URL of a private PostgreSQL, whatever database the pass itself runs on."""
    if url := os.environ.get("STILLKEEP_TEST_DATABASE_URL"):
        yield url
        return
    if servers.postgres_programs() is None:
        pytest.skip("PostgreSQL is not installed")
    with servers.temp_postgres() as url:
        yield url


@pytest.fixture(scope="session")
def redis_url() -> Iterator[str]:
    """REDIS_URL of a private Redis on a Unix socket."""
    if servers.redis_program() is None:
        pytest.skip("Redis is not installed")
    with servers.temp_redis() as url:
        yield url


@pytest.fixture(scope="session")
def chromium() -> Path:
    """The path of the system's Chromium."""
    program = servers.chromium_program()
    if program is None:
        pytest.skip("Chromium is not installed")
    return Path(program)
