"""A control chart worked out for values that somebody sends: what is asked, and everything it gives.

The centre and spread are told, as of a process that is known, or come from the first values. Values within
that baseline are not held against an EWMA or CUSUM; with both told, all are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from inventory.rules.phrases import Phrase
from recovery.rules.charts import D4, Band, Individuals, Sums, cusum, ewma, individuals, moving_ranges
from recovery.rules.run_rules import NELSON, RULE_SETS, WESTERN_ELECTRIC, Broken, broken_rules

VALUES_LEAST, VALUES_MOST = 2, 1000
FORMULA = (
    "limits = centre ± 3 · mean moving range / 1.128; moving range limit = 3.267 · mean; "
    "z = λ·x + (1 - λ)·z, limits centre ± L·σ·√(λ/(2 - λ)·(1 - (1 - λ)^2i)); "
    "S+ = max(0, S+ + x - centre - k·σ), S- = max(0, S- - x + centre - k·σ), signal beyond h·σ"
)
SOURCES = (
    Phrase("NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 to 6.3.2.4"),
    WESTERN_ELECTRIC,
    NELSON,
)


@dataclass(frozen=True, slots=True)
class ChartAsk:
    """centre, sigma: None, taken from the first `baseline` values (None: from all). weight: λ; width: L.

    allowance, interval: k and h of the CUSUM in sigma. exact: EWMA limits as they widen at the start.
    """

    values: tuple[float, ...]
    centre: float | None = None
    sigma: float | None = None
    baseline: int | None = None
    weight: float = 0.2
    width: float = 3.0
    exact: bool = True
    allowance: float = 0.5
    interval: float = 5.0
    rules: str = "western-electric-1956"


@dataclass(frozen=True, slots=True)
class ChartWorked:
    """ewma, cusum: of the values from index `first` on. limits hold for all values."""

    limits: Individuals
    moved: tuple[float, ...]
    first: int
    ewma: tuple[Band, ...]
    ewma_upper: float
    ewma_lower: float
    cusum: tuple[Sums, ...]
    cusum_limit: float
    broken: tuple[Broken, ...]
    notes: tuple[str, ...]


def work_chart(ask: ChartAsk) -> ChartWorked:
    """Everything on the chart. Raises ValueError with words for what does not fit together."""
    count = len(ask.values)
    if not VALUES_LEAST <= count <= VALUES_MOST:
        raise ValueError(f"{VALUES_LEAST} to {VALUES_MOST} values are taken")
    limits = _limits(ask)
    if limits.sigma <= 0:
        raise ValueError("the values of the baseline are all alike: tell sigma")
    known = ask.centre is not None and ask.sigma is not None
    first = 0 if known or ask.baseline is None else min(ask.baseline, count)
    how = {"centre": limits.centre, "sigma": limits.sigma, "weight": ask.weight, "width": ask.width}
    late = ask.values[first:]
    last = ewma([limits.centre], **how, exact=False)[0]
    allowance = ask.allowance * limits.sigma
    rules = RULE_SETS[ask.rules]
    return ChartWorked(
        limits=limits,
        moved=tuple(moving_ranges(ask.values)),
        first=first,
        ewma=tuple(ewma(late, **how, exact=ask.exact)),
        ewma_upper=last.upper,
        ewma_lower=last.lower,
        cusum=tuple(cusum(late, centre=limits.centre, allowance=allowance)),
        cusum_limit=ask.interval * limits.sigma,
        broken=tuple(broken_rules(ask.values, centre=limits.centre, sigma=limits.sigma, rules=rules)),
        notes=_notes(ask, limits, known=known),
    )


def _limits(ask: ChartAsk) -> Individuals:
    """From the baseline, with what is told in its place."""
    found = individuals(ask.values[: ask.baseline])
    centre = found.centre if ask.centre is None else ask.centre
    sigma = found.sigma if ask.sigma is None else ask.sigma
    reach = 3 * sigma
    return Individuals(
        centre, sigma, centre - reach, centre + reach, found.range_mean, D4 * found.range_mean, found.count
    )


def _notes(ask: ChartAsk, limits: Individuals, *, known: bool) -> tuple[str, ...]:
    notes = []
    if not known and limits.count < 20:
        notes.append(
            f"Centre or spread come from {limits.count} values: expect more false alarms than published."
        )
    if not known and ask.baseline is None:
        notes.append("The values are held against limits that they made themselves.")
    return tuple(notes)


def beyond(sums: Sequence[Sums], limit: float) -> list[int]:
    """Which of the sums are a signal: 1 high, -1 low, 0 neither."""
    return [(one.high > limit) - (one.low > limit) for one in sums]
