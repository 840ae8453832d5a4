"""What a measurement found: floor, ours, ratio, growth and the goal, as a table and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

HEADINGS = ("measure", "database", "size", "unit", "floor", "ours", "ratio", "growth", "goal", "")
#: more is better: the ratio is turned round, so that above 1 always means slower than the floor
RATES = ("req/s", "rows/s")


@dataclass(frozen=True)
class Result:
    """One measurement.

    floor, ours: medians in `unit`. ratio: how many times the floor's cost ours is. growth: ours over ours at
    the smallest size of the same measure. goal: in words, empty for a figure that is only told.
    """

    measure: str
    database: str
    size: int
    unit: str
    floor: float
    ours: float
    goal: str = ""
    met: bool | None = None
    growth: float | None = None

    @property
    def ratio(self) -> float:
        return self.floor / self.ours if self.unit in RATES else self.ours / self.floor

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "ratio": self.ratio}


def ratio_at_most(result: Result, limit: float) -> Result:
    """The result with the goal that it costs at most `limit` times the floor."""
    return replace(result, goal=f"ratio <= {limit:g}", met=result.ratio <= limit)


def ours_at_most(result: Result, limit: float) -> Result:
    return replace(result, goal=f"<= {limit:g} {result.unit}", met=result.ours <= limit)


def ours_at_least(result: Result, limit: float) -> Result:
    return replace(result, goal=f">= {limit:g} {result.unit}", met=result.ours >= limit)


def with_growth(results: Sequence[Result]) -> list[Result]:
    """The results in their order, each with its growth where its measure was taken at several sizes."""
    series: dict[tuple[str, str], list[Result]] = {}
    for result in results:
        series.setdefault((result.measure, result.database), []).append(result)
    grown = []
    for result in results:
        same = series[(result.measure, result.database)]
        first = min(same, key=lambda other: other.size)
        grown.append(replace(result, growth=result.ours / first.ours) if len(same) > 1 else result)
    return grown


def table(results: Sequence[Result]) -> str:
    """A table for the terminal, columns aligned."""
    rows = [HEADINGS, *(_cells(result) for result in results)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    lines = ["  ".join(_aligned(cell, widths[n], n) for n, cell in enumerate(row)).rstrip() for row in rows]
    lines.insert(1, "  ".join("-" * width for width in widths).rstrip())
    return "\n".join(lines)


def _aligned(cell: str, width: int, column: int) -> str:
    return cell.rjust(width) if 2 <= column <= 7 and column != 3 else cell.ljust(width)


def _cells(result: Result) -> tuple[str, ...]:
    growth = "" if result.growth is None else f"{result.growth:.2f}"
    met = {None: "", True: "met", False: "SHORT"}[result.met]
    return (
        result.measure,
        result.database,
        f"{result.size:,}".replace(",", " "),
        result.unit,
        _figure(result.floor),
        _figure(result.ours),
        f"{result.ratio:.3f}" if result.ratio < 0.1 else f"{result.ratio:.2f}",
        growth,
        result.goal,
        met,
    )


def _figure(value: float) -> str:
    """Three significant digits, no exponent."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"
