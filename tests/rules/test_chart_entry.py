"""The control chart calculator's rules against the handbook's examples."""

from __future__ import annotations

import pytest

from recovery.rules.chart_entry import ChartAsk, beyond, work_chart
from tests.rules.test_charts import CUSUM_HIGH, CUSUM_VALUES, EWMA_PRINTED, EWMA_VALUES, FLOWS


def test_individuals_of_the_handbook() -> None:
    """NIST/SEMATECH 6.3.2.2."""
    worked = work_chart(ChartAsk(values=tuple(FLOWS)))
    limits = worked.limits
    printed = (50.81, 55.8041, 45.8159, 1.8778)
    assert [round(n, 4) for n in (limits.centre, limits.upper, limits.lower, limits.range_mean)] == list(
        printed
    )
    assert round(limits.range_upper, 3) == 6.135
    assert worked.broken == ()
    assert worked.first == 0
    assert len(worked.notes) == 2


def test_ewma_of_the_handbook_with_a_known_process() -> None:
    """NIST/SEMATECH 6.3.2.4: target 50, s 2.0539, λ 0.3."""
    ask = ChartAsk(values=tuple(EWMA_VALUES), centre=50, sigma=2.0539, weight=0.3, exact=False)
    worked = work_chart(ask)
    assert [round(band.value, 2) for band in worked.ewma] == pytest.approx(EWMA_PRINTED, abs=0.0051)
    assert round(worked.ewma_upper, 4) == 52.5884
    assert not any(band.beyond for band in worked.ewma)
    assert worked.notes == ()


def test_cusum_of_the_handbook() -> None:
    """NIST/SEMATECH 6.3.2.3 (from memory): k 0.3175 and h 4.1959 in the unit of the values."""
    ask = ChartAsk(values=tuple(CUSUM_VALUES), centre=325, sigma=1, allowance=0.3175, interval=4.1959)
    worked = work_chart(ask)
    assert [one.high for one in worked.cusum] == pytest.approx(CUSUM_HIGH, abs=0.021)
    assert beyond(worked.cusum, worked.cusum_limit) == [0] * 13 + [1] * 7
    assert worked.broken[0].rule == "western-electric-1"


def test_a_baseline_makes_the_limits_and_is_not_held_against_them() -> None:
    values = (10.0, 11.0, 10.0, 11.0, 10.5, 14.0, 14.0)
    worked = work_chart(ChartAsk(values=values, baseline=5, rules="nelson-1984"))
    assert (worked.first, worked.limits.count, len(worked.ewma), len(worked.cusum)) == (5, 5, 2, 2)
    assert worked.limits.centre == 10.5
    assert {one.rule for one in worked.broken} >= {"nelson-1"}
    assert "from 5 values" in worked.notes[0]
    low = work_chart(ChartAsk(values=tuple(20 - v for v in values), baseline=5))
    assert beyond(low.cusum, low.cusum_limit)[0] == -beyond(worked.cusum, worked.cusum_limit)[0]


def test_what_makes_no_chart_is_said() -> None:
    with pytest.raises(ValueError, match="2 to 1000"):
        work_chart(ChartAsk(values=(1.0,)))
    with pytest.raises(ValueError, match="all alike"):
        work_chart(ChartAsk(values=(1.0, 1.0, 1.0)))
    assert work_chart(ChartAsk(values=(1.0, 1.0, 1.0), sigma=0.5)).limits.upper == 2.5
