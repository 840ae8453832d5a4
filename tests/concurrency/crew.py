"""Processes of their own over one real database: all get the same order at the same moment."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from tests.house.code import ROOT

SIZE = 6
DEADLINE_S = 400  # of a whole crew, on a machine that has other work too


def environment(home: str, url: str) -> dict[str, str]:
    """Variables of a process that uses the project's own settings on that database."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("STILLKEEP_")}
    return {
        **kept,
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
        "DATABASE_URL": url,
        "STILLKEEP_HOME": home,
        "STILLKEEP_LOG_LEVEL": "ERROR",
        "SECRET_KEY": "only-for-tests-" + "0123456789abcdef" * 4,
    }


class Crew:
    """Workers that wait for orders; an order is the name of a function in `worker` and its arguments."""

    def __init__(self, workers: list[subprocess.Popen[str]]) -> None:
        self.workers = workers

    def one(self, task: str, **arguments: Any) -> Any:
        """Let the first worker do it; returns its answer."""
        return self._send_all([(task, arguments)])[0]

    def all(self, task: str, **arguments: Any) -> list[Any]:
        """Let every worker do the same at once; returns their answers."""
        return self.each([(task, arguments)] * len(self.workers))

    def each(self, orders: list[tuple[str, dict[str, Any]]]) -> list[Any]:
        """Give every worker its own order at once; returns their answers."""
        assert len(orders) == len(self.workers)
        return self._send_all(orders)

    def _send_all(self, orders: list[tuple[str, dict[str, Any]]]) -> list[Any]:
        for worker, order in zip(self.workers, orders, strict=False):
            assert worker.stdin is not None
            worker.stdin.write(json.dumps(order) + "\n")
        for worker, _ in zip(self.workers, orders, strict=False):
            assert worker.stdin is not None
            worker.stdin.flush()
        return [self._answer(worker) for worker, _ in zip(self.workers, orders, strict=False)]

    def _answer(self, worker: subprocess.Popen[str]) -> Any:
        assert worker.stdout is not None
        line = worker.stdout.readline()
        assert line, "a worker ended, or did not answer in time"
        answer = json.loads(line)
        assert "fault" not in answer, answer["fault"]
        return answer["answer"]


@contextmanager
def crew(home: str, url: str, *, module: str = "tests.concurrency.worker") -> Iterator[Crew]:
    """A crew on a migrated database; its processes end with the block. module: whose tasks it knows."""
    command = [sys.executable, "-m", module]
    options: dict[str, Any] = {"cwd": ROOT, "env": environment(home, url), "text": True}
    workers = [
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, **options)
        for _ in range(SIZE)
    ]
    # A deadlock that the database does not end would hang the tests.
    watchdog = threading.Timer(DEADLINE_S, _end, [workers])
    watchdog.start()
    try:
        yield Crew(workers)
    finally:
        watchdog.cancel()
        _end(workers)
        for worker in workers:
            worker.communicate()


def _end(workers: list[subprocess.Popen[str]]) -> None:
    for worker in workers:
        worker.kill()
