"""Sizes: functions of at most 70 lines, half of them under 12; files of at most 400."""

from __future__ import annotations

import ast
from pathlib import Path
from statistics import median

import pytest

from tests.house.code import PRODUCT, ROOT, Source, function_lengths, sources

FUNCTION_LINES_MAX = 70
FUNCTION_LINES_MEDIAN_BELOW = 12
FILE_LINES_MAX = 400


def test_no_function_is_over_70_lines() -> None:
    lengths = [entry for source in sources(*PRODUCT, "tests") for entry in function_lengths(source)]
    assert [entry for entry in lengths if entry[1] > FUNCTION_LINES_MAX] == []


@pytest.mark.parametrize("folders", [PRODUCT, ("tests",)], ids=["product", "tests"])
def test_the_median_function_is_under_12_lines(folders: tuple[str, ...]) -> None:
    lengths = [length for source in sources(*folders) for _, length in function_lengths(source)]
    assert len(lengths) > 20
    assert median(lengths) < FUNCTION_LINES_MEDIAN_BELOW


def test_no_file_is_over_400_lines() -> None:
    suffixes = {".py", ".html", ".css", ".js", ".sh"}
    paths = [path for folder in (*PRODUCT, "tests") for path in (ROOT / folder).rglob("*")]
    own = [path for path in paths if path.suffix in suffixes and not {"vendor", "migrations"} & {*path.parts}]
    lines = {str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines()) for path in own}
    assert {name: count for name, count in lines.items() if count > FILE_LINES_MAX} == {}


def test_the_count_includes_first_and_last_line() -> None:
    text = "class A:\n    def one(self):\n        return 1\n\n\nasync def two():\n    pass\n"
    found = dict(function_lengths(Source(Path("a.py"), text, ast.parse(text))))
    assert found == {"a.py:2 one": 2, "a.py:6 two": 2}
