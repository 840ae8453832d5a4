"""Loss rates: the sum of losses over the sum charged, never a mean of percentages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import Count, F, Q, Sum, Value

from inventory.models import Lab
from inventory.rules.errors import InputError
from recovery.models import RunSum

# What a rate can be read by, and the column behind it.
GROUPS = {
    "solvent": "solvent__key",
    "month": "run__month",
    "purpose": "run__purpose",
    "operator": "run__operator_name",
}
STEP = Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class LossRate:
    """Closed runs of one group. loss_fraction is lost over charged; None when nothing was charged."""

    group: dict[str, Any]
    runs: int
    runs_without_return: int
    charged_ul: int
    returned_ul: int
    lost_ul: int

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
    """Loss rates of closed runs by any of solvent, month, purpose and operator.

    since, until: months (both included) in which the runs started. equal: further values of the groups that
    must match. Different solvents are added only when asked without "solvent" in `by`; by nothing, all runs
    are one group.
    """
    for name in [*by, *equal]:
        if name not in GROUPS:
            raise InputError("by", "unknown-group", f"“{name}” is not a group.", f"Use {', '.join(GROUPS)}.")
    sums = RunSum.objects.filter(run__lab=lab, run__closed_at__isnull=False)
    if since is not None:
        sums = sums.filter(run__month__gte=since.replace(day=1))
    if until is not None:
        sums = sums.filter(run__month__lte=until)
    sums = sums.filter(**{GROUPS[name]: value for name, value in equal.items()})
    # Without any group all runs are one: a constant keeps them from being listed one by one.
    columns: dict[str, Any] = {f"by_{name}": F(GROUPS[name]) for name in by} or {"all_runs": Value(1)}
    rows: Any = (
        sums.values(**columns)
        .annotate(
            runs=Count("run", distinct=True),
            without=Count("run", filter=Q(returned_ul=0), distinct=True),
            charged=Sum("charged_ul"),
            returned=Sum("returned_ul"),
            lost=Sum("lost_ul"),
        )
        .order_by(*(f"by_{name}" for name in by))
    )
    return [
        LossRate(
            {name: row[f"by_{name}"] for name in by},
            row["runs"],
            row["without"],
            row["charged"],
            row["returned"],
            row["lost"],
        )
        for row in rows
    ]
