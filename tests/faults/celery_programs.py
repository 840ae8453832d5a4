"""Starts and ends real Celery workers and beats for the tests of faults."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.inventory.processes import environment, start

Start = Callable[..., subprocess.Popen[str]]


class Kept:
    """A Celery program that is started again whenever it ends, as a service manager does (Restart=always)."""

    def __init__(self, begin: Callable[[], subprocess.Popen[str]]) -> None:
        self.starts = 0
        self._begin = begin
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._keep, daemon=True)
        self._thread.start()

    def _keep(self) -> None:
        while not self._stop.is_set():
            process = self._begin()
            self.starts += 1
            while process.poll() is None and not self._stop.wait(0.2):
                pass

    def stop(self) -> None:
        """Start it no more; the program itself is left as it is."""
        self._stop.set()
        self._thread.join()


@contextmanager
def running(home: Path, redis_url: str, **more: str) -> Iterator[Start]:
    """Gives a function that starts one Celery program in a session of its own; all end with the block.

    more: further variables of their environment, such as another DATABASE_URL.
    """
    started: list[subprocess.Popen[str]] = []
    env = environment(home, **{"REDIS_URL": redis_url, **more})

    def begin(app: str, *arguments: str) -> subprocess.Popen[str]:
        log = (home / f"log-{len(started)}").open("w")
        command = ["-m", "celery", "-A", app, *arguments, "--loglevel", "WARNING"]
        started.append(start(command, env, stdout=log, start_new_session=True))
        log.close()
        return started[-1]

    try:
        yield begin
    finally:
        for each in started:
            kill(each)


def kill(process: subprocess.Popen[str]) -> None:
    """kill -9 for a program and its pool, without a word of warning."""
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def wait_for(what: Callable[[], object], home: Path, seconds: float = 120) -> None:
    """Until `what` holds; else fail with what the programs logged."""
    end = time.monotonic() + seconds
    while not what():
        if time.monotonic() > end:
            logs = "\n".join(path.read_text()[-3000:] for path in sorted(home.glob("log-*")))
            pytest.fail(f"It did not happen within {seconds} s.\n{logs}")
        time.sleep(0.05)
