"""The benchmark runs, both sides of each measurement agree, and it prints what it found. Nothing is timed."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

from tests.bench.pages import PAGES, SMALL_RATIO_MAX
from tests.bench.results import Result, ours_at_least, ratio_at_most, table, with_growth
from tests.bench.worker import MEASURES
from tests.house.code import ROOT

pytestmark = pytest.mark.once


@pytest.fixture(scope="module")
def found() -> list[dict[str, Any]]:
    command = [sys.executable, "manage.py", "bench", "--size", "small", "--db", "sqlite", "--json"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    results: list[dict[str, Any]] = json.loads(done.stdout)
    return results


def test_every_measure_gives_floor_ours_and_ratio(found: list[dict[str, Any]]) -> None:
    for result in found:
        assert result["floor"] > 0 and result["ours"] > 0 and result["ratio"] > 0, result
    names = {result["measure"].split(",")[0].split(" (")[0] for result in found}
    assert {"sweep", "ledger report", "post a movement", "draw over HTTP", "list of 100"} <= names
    assert len(names) == len(MEASURES)


def test_no_page_costs_many_times_its_own_queries(found: list[dict[str, Any]]) -> None:
    """In processor time, and far above what is found: a page that asks row by row in Python shows."""
    pages = [row for row in found if row["measure"].startswith("page, ")]
    bounded = {row["measure"]: row["ratio"] for row in pages if row["met"] is not None}
    assert len(bounded) == len(pages) // 2 == len(PAGES)
    assert [(name, bounded[name]) for name in bounded if bounded[name] > SMALL_RATIO_MAX] == []


def test_the_ratios_can_be_printed(found: list[dict[str, Any]]) -> None:
    results = [Result(**{key: value for key, value in row.items() if key != "ratio"}) for row in found]
    print(table(results))
    assert len(table(results).splitlines()) == len(results) + 2


def test_a_rate_is_worse_when_it_is_lower() -> None:
    result = Result("import", "sqlite", 10, "rows/s", floor=100.0, ours=50.0)
    assert result.ratio == 2.0
    assert ours_at_least(result, 60).met is False
    assert ratio_at_most(result, 2.0).met is True


def test_growth_is_over_the_smallest_size() -> None:
    results = [
        Result("report", "sqlite", size, "ms", 1.0, ours)
        for size, ours in ((1000, 3.0), (10, 2.0), (100, 2.0))
    ]
    assert [result.growth for result in with_growth(results)] == [1.5, 1.0, 1.0]
    assert with_growth(results[:1])[0].growth is None
