"""Runs the measures, each in a process and a database of its own, and prints what they found."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from tests import servers
from tests.bench.databases import Databases, Environment, private
from tests.bench.results import Result, table, with_growth
from tests.bench.worker import MARK, MEASURES

ROOT = Path(__file__).resolve().parents[2]
Say = Callable[[str], object]


class MeasureFailedError(Exception):
    """A measuring process ended with an error; the message is what it wrote last."""


def run(size: str, names: Sequence[str], kinds: Sequence[str], say: Say) -> list[Result]:
    """All results, in order. Raises MeasureFailedError; a missing PostgreSQL is said and left out."""
    results: list[Result] = []
    for kind in kinds:
        try:
            with private(kind, lambda environment: _prepare(environment, size)) as databases:
                for name in names:
                    results += _measure(databases, name, size, kind, say)
        except servers.ServerMissingError as fault:
            say(f"Not measured on {kind}: {fault}")
    return with_growth(results)


def _prepare(environment: Environment, size: str) -> None:
    _child(environment, "prepare", size)


def _measure(databases: Databases, name: str, size: str, kind: str, say: Say) -> list[Result]:
    started = time.monotonic()
    lines = _child(databases.fresh(), name, size)
    found = [json.loads(line.removeprefix(MARK)) for line in lines if line.startswith(MARK)]
    results = [Result(**{key: value for key, value in row.items() if key != "ratio"}) for row in found]
    # Said at once, so that a later measure that fails takes nothing along.
    say(f"{name} on {kind}: {time.monotonic() - started:.0f} s\n{table(with_growth(results))}")
    return results


def _child(environment: Environment, name: str, size: str) -> list[str]:
    command = [sys.executable, "-m", "tests.bench.worker", name, size]
    done = subprocess.run(
        command, cwd=ROOT, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True
    )
    if done.returncode:
        raise MeasureFailedError(f"{name}: {done.stderr.strip()[-3000:]}")
    return done.stdout.splitlines()


def report(results: Sequence[Result], *, as_json: bool) -> str:
    """The table, or the same as JSON."""
    if as_json:
        return json.dumps([result.as_dict() for result in results], indent=2)
    return table(results)


def names_of(only: Sequence[str]) -> list[str]:
    """The measures asked for, all when none is named."""
    return [name for name in MEASURES if name in only or not only]
