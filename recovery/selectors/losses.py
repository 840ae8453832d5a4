"""Loss rates: the sum of losses over the sum charged, never a mean of percentages, with an interval.

They are read from the sums of runs, not from movements: what a rate costs grows with the runs behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db import connection
from django.db.models import F, Min, QuerySet, Sum, Value

from inventory.models import Lab
from inventory.rules.errors import InputError
from recovery.models import RunSum
from recovery.rules.rates import Moments, Rate, loss_rate

# What a rate can be read by, and the column behind it.
GROUPS = {
    "solvent": "solvent__key",
    "month": "run__month",
    "purpose": "run__purpose",
    "operator": "run__operator_name",
    "kind": "run__kind__key",
    "apparatus": "run__run_apparatus__apparatus__name",
}
STEP = Decimal("0.0001")
# Volumes as floating point: the square of one in whole microlitres is more than a database's integer holds.
_REAL = "CAST({} AS double precision)"
_SUMS = ("charged", "returned", "lost")
_PRODUCTS = (("charged", "charged"), ("charged", "lost"), ("lost", "lost"))


@dataclass(frozen=True, slots=True)
class LossRate:
    """Closed runs of one group. loss_fraction is lost over charged; None when nothing was charged.

    rate: the same with its interval, which says how runs scatter, or why there is none.
    """

    group: dict[str, Any]
    runs: int
    runs_without_return: int
    charged_ul: int
    returned_ul: int
    lost_ul: int
    rate: Rate

    @property
    def loss_fraction(self) -> Decimal | None:
        if self.charged_ul <= 0:
            return None
        return (Decimal(self.lost_ul) / self.charged_ul).quantize(STEP)


def loss_rates(
    *,
    lab: Lab,
    by: Sequence[str] = ("solvent",),
    since: date | None = None,
    until: date | None = None,
    **equal: Any,
) -> list[LossRate]:
    """Loss rates of closed runs by any of solvent, month, purpose, operator, kind and apparatus.

    since, until: months (both included) in which the runs started. equal: further values of the groups that
    must match. Different solvents are added only when asked without "solvent" in `by`; by nothing, all runs
    are one group. By apparatus, a run that was done in two counts for both; kind and apparatus are None
    where they were not told.
    """
    return [_rate(by, row) for row in _rows(lab, by, since, until, equal)]


def loss_rates_and_totals(*, lab: Lab, by: str, over: str) -> tuple[list[LossRate], list[LossRate]]:
    """Loss rates by two groups, and added up by the first alone, in its order; from one look at the runs.

    over: of which each run is in one alone, or it would be added twice: month, purpose, operator or kind.
    """
    rows = _rows(lab, (by, over), None, None, {})
    sums: dict[Any, list[Any]] = {}
    for first, _second, *figures in rows:
        held = sums.get(first)
        sums[first] = figures if held is None else [a + b for a, b in zip(held, figures, strict=True)]
    totals = [_rate((by,), (first, *figures)) for first, figures in sums.items()]
    return [_rate((by, over), row) for row in rows], totals


def _rows(
    lab: Lab, by: Sequence[str], since: date | None, until: date | None, equal: dict[str, Any]
) -> list[Sequence[Any]]:
    """The groups in order, each with its figures as `_rate` takes them."""
    per_run = _per_run(lab, by, since, until, equal)
    columns = [f"by_{name}" for name in by]
    moments = [f"SUM({_REAL.format(a)} * {_REAL.format(b)})" for a, b in _PRODUCTS]
    read = [*columns, "COUNT(*)", "SUM(CASE WHEN least = 0 THEN 1 ELSE 0 END)"]
    read += [f"SUM({name})" for name in _SUMS] + moments
    sql, values = per_run.query.sql_with_params()
    order = ", ".join(f"{column} NULLS FIRST" for column in columns)
    ending = f" GROUP BY {', '.join(columns)} ORDER BY {order}" if columns else ""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(read)} FROM ({sql}) AS runs{ending}", values)  # noqa: S608
        return [row for row in cursor.fetchall() if row[len(by)]]


def _per_run(
    lab: Lab, by: Sequence[str], since: date | None, until: date | None, equal: dict[str, Any]
) -> QuerySet[RunSum, Any]:
    """One row for each run and group: a run with two solvents is one run where they are added."""
    for name in [*by, *equal]:
        if name not in GROUPS:
            raise InputError("by", "unknown-group", f"“{name}” is not a group.", f"Use {', '.join(GROUPS)}.")
    sums = RunSum.objects.filter(run__lab=lab, run__closed_at__isnull=False, run__is_draft=False)
    if since is not None:
        sums = sums.filter(run__month__gte=since.replace(day=1))
    if until is not None:
        sums = sums.filter(run__month__lte=until)
    sums = sums.filter(**{GROUPS[name]: value for name, value in equal.items()})
    columns: dict[str, Any] = {f"by_{name}": F(GROUPS[name]) for name in by} or {"all_runs": Value(1)}
    figures: dict[str, Any] = {name: F(f"{name}_ul") for name in _SUMS} | {"least": F("returned_ul")}
    if "solvent" not in by or "apparatus" in (*by, *equal):
        figures = {name: Sum(f"{name}_ul") for name in _SUMS} | {"least": Min("returned_ul")}
    # Of one solvent a run has one sum: there is nothing to add up.
    rows: QuerySet[RunSum, Any] = sums.order_by().values("run_id", **columns).annotate(**figures)
    return rows


def _rate(by: Sequence[str], row: Sequence[Any]) -> LossRate:
    runs, without, charged, returned, lost, *products = row[len(by) :]
    group = {name: _plain(name, value) for name, value in zip(by, row, strict=False)}
    moments = Moments(int(runs), float(charged), float(lost), *(float(value) for value in products))
    volumes = (int(charged), int(returned), int(lost))
    return LossRate(group, int(runs), int(without), *volumes, loss_rate(moments))


def _plain(name: str, value: Any) -> Any:
    """SQLite tells the day of a month as text once it went through another SELECT."""
    return date.fromisoformat(value) if name == "month" and isinstance(value, str) else value
