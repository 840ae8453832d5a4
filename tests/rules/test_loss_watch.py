"""Whether a series of runs loses more than it did: found when it does, quiet when it does not."""

from __future__ import annotations

import random
from datetime import date
from statistics import median
from time import process_time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.loss_watch import (
    BASELINE_RUNS,
    SIGMA_LEAST,
    WIDTH_KNOWN,
    Signal,
    signals_in,
    watched,
    width,
)
from recovery.rules.loss_words import (
    all_runs_of,
    day_words,
    put_anew,
    quiet_words,
    runs_words,
    signal_words,
)
from recovery.rules.rates import Moments, loss_rate

TODAY = date(2026, 7, 20)


def runs(dice: random.Random, *parts: tuple[int, float], sd: float = 0.025) -> list[float]:
    """So many runs about each mean, one part after the other."""
    return [dice.gauss(mean, sd) for count, mean in parts for _ in range(count)]


@pytest.mark.parametrize("baseline", [8, 10, 20, 50])
def test_false_alarms_are_as_rare_as_promised(baseline: int) -> None:
    """About one series in twenty that has not changed signals upwards within fifty runs of its baseline."""
    dice, alarms, times = random.Random(baseline), 0, 1000
    for _ in range(times):
        found = signals_in(runs(dice, (baseline + 50, 0.26)), baseline=baseline)
        alarms += any(signal.side > 0 for signal in found)
    assert 0.02 < alarms / times < 0.08


def test_limits_for_a_known_process_would_cry_wolf() -> None:
    """Why they are widened: with the published width, a baseline of ten makes one series in five signal."""
    dice, alarms, times = random.Random(5), 0, 400
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("recovery.rules.loss_watch.WIDTH_PER_RUN", 0.0)
        assert width(10) == WIDTH_KNOWN
        for _ in range(times):
            alarms += any(signal.side > 0 for signal in signals_in(runs(dice, (60, 0.26))))
    assert alarms / times > 0.15


@pytest.mark.parametrize(("sigmas", "within"), [(2.0, 8), (3.0, 4), (6.0, 3)])
def test_a_leak_is_found_soon(sigmas: float, within: int) -> None:
    """Half of all leaks of that size are found within so many runs, and the day they began is about right."""
    dice, delays, off = random.Random(7), [], []
    for _ in range(300):
        found = signals_in(runs(dice, (15, 0.26), (25, 0.26 + sigmas * 0.025)))
        first = next((s for s in found if s.side > 0 and s.found >= 15), None)
        delays.append(first.found - 14 if first else 99)
        off.append(abs(first.since - 15) if first else 99)
    assert median(delays) <= within
    assert median(off) <= 1


def test_a_leak_that_goes_on_stands() -> None:
    found = watched(runs(random.Random(3), (15, 0.26), (9, 0.43)))
    assert found.standing == Signal(1, since=15, found=17, begins=0)
    assert found.missing == 0
    assert {"ewma", "cusum", "western-electric-1"} <= set(found.points[-1].broken)
    assert found.points[-1].phase == "watched"
    assert found.points[9].phase == "baseline"
    assert found.points[9].ewma is None


def test_it_ends_once_the_runs_are_as_before() -> None:
    values = runs(random.Random(3), (15, 0.26), (9, 0.43), (14, 0.26))
    found = watched(values)
    (signal,) = found.signals
    assert (signal.since, signal.ended_by) == (15, "in-control")
    assert signal.ended is not None
    assert 26 < signal.ended <= 34
    # Standing or not is what was known with each run: a part of the series gives the same answer.
    for last in range(len(values)):
        stood = watched(values[: last + 1]).standing is not None
        assert stood == (signal.found <= last < signal.ended)


def test_a_repair_ends_it_and_begins_a_new_baseline() -> None:
    values = runs(random.Random(3), (15, 0.26), (9, 0.43), (12, 0.25), (8, 0.40))
    found = watched(values, resets={24: "repaired"})
    first, second = found.signals
    assert (first.ended, first.ended_by) == (24, "repaired")
    assert (second.since, second.begins, second.ended) == (36, 24, None)
    assert found.points[24].phase == "baseline"
    assert found.points[24].stretch == 1
    assert found.points[24].centre == pytest.approx(0.25, abs=0.02)


def test_ten_thousand_runs_that_lose_more_are_worked_out_at_once() -> None:
    """What a close costs grows with the runs of its series, not with their square."""
    values = runs(random.Random(9), (10, 0.26), (9_990, 0.43))
    before = process_time()
    (signal,) = signals_in(values)
    assert process_time() - before < 2
    assert (signal.since, signal.ended) == (10, None)


def test_a_repair_after_the_last_run_ends_it_at_once() -> None:
    values = runs(random.Random(3), (15, 0.26), (9, 0.43))
    found = watched(values, resets={24: "repaired"})
    assert [(one.ended, one.ended_by) for one in found.signals] == [(24, "repaired")]
    assert found.missing == BASELINE_RUNS
    assert len(found.points) == 24


def test_a_repair_that_mended_nothing_is_told_by_the_old_limits() -> None:
    """Until ten runs are there the measure is what it was before the leak, or a leak would become normal."""
    values = runs(random.Random(3), (15, 0.26), (9, 0.43), (20, 0.43))
    found = watched(values, resets={24: "repaired"})
    assert found.standing is not None
    assert found.standing.since >= 24
    assert found.standing.found < 34
    assert found.points[40].centre == found.points[0].centre
    # Another apparatus is another measure from its first run on.
    changed = watched(values, resets={24: "changed"})
    assert changed.standing is None
    assert changed.points[24].centre == pytest.approx(0.43, abs=0.02)
    early = watched(values[:30], resets={24: "changed"})
    assert (early.missing, early.points[-1].phase, early.points[-1].centre) == (4, "gathering", None)


def test_one_spilt_run_is_no_lasting_change() -> None:
    values = runs(random.Random(4), (15, 0.26), (1, 0.95), (15, 0.26))
    found = watched(values)
    assert found.signals == ()
    assert "western-electric-1" in found.points[15].broken


def test_losing_less_is_a_signal_of_its_own() -> None:
    found = watched(runs(random.Random(6), (12, 0.30), (9, 0.15)))
    assert found.standing is not None
    assert (found.standing.side, found.standing.since) == (-1, 12)


def test_too_few_runs_have_no_limits() -> None:
    found = watched([0.2] * (BASELINE_RUNS - 1))
    assert (found.missing, found.signals) == (1, ())
    assert {point.centre for point in found.points} == {None}
    assert watched([]).missing == BASELINE_RUNS
    for baseline in (4, 101):
        with pytest.raises(ValueError, match="baseline"):
            watched([], baseline=baseline)


def test_runs_that_are_all_alike_do_not_make_limits_of_no_width() -> None:
    found = watched([0.25] * 10 + [0.252] * 10)
    assert found.points[0].sigma == SIGMA_LEAST
    assert found.signals == ()


fractions = st.lists(st.floats(-0.2, 1.0), max_size=45)
resets = st.dictionaries(st.integers(0, 45), st.sampled_from(["repaired", "changed"]), max_size=3)


@given(values=fractions, when=resets)
def test_whatever_comes_in_the_chart_is_whole(values: list[float], when: dict[int, object]) -> None:
    found = watched(values, resets=when)  # type: ignore[arg-type]
    assert [point.fraction for point in found.points] == values
    assert 0 <= found.missing <= BASELINE_RUNS
    for signal in found.signals:
        last = len(values) - 1 if signal.ended is None else signal.ended
        assert 0 <= signal.begins <= signal.since <= signal.found <= last <= len(values)
        assert signal.found < len(values)
    assert all(one.ended is not None for one in found.signals[:-1])
    for before, after in zip(found.signals, found.signals[1:], strict=False):
        assert before.ended is not None
        assert before.ended < after.found
    again = watched(values, resets=when)  # type: ignore[arg-type]
    assert again == found
    assert signals_in(values, resets=when) == found.signals  # type: ignore[arg-type]


def test_words() -> None:
    before = loss_rate(Moments.of([(200, 44)] * 15))
    after = loss_rate(Moments.of([(200, 62)] * 9))
    said = signal_words(
        "Still 2", more=True, since=date(2026, 5, 14), today=TODAY, before=before, after=after
    )
    assert said == "Still 2 loses more since 14 May: 31 % against 22 % before, 9 runs."
    few = loss_rate(Moments.of([(200, 62)] * 3))
    said = signal_words(
        "Still 2", more=False, since=date(2025, 5, 14), today=TODAY, before=before, after=few, stands=False
    )
    assert said.startswith(
        "Still 2 lost less since 14 May 2025: 31 % against 22 % before, 3 runs. Few runs yet"
    )
    assert day_words(date(2026, 12, 1), TODAY) == "1 December"
    how: dict[str, Any] = {"since": date(2026, 5, 14), "today": TODAY, "before": before, "after": after}
    every = signal_words(all_runs_of("diethyl ether"), more=True, **how)
    assert every == "all runs of diethyl ether lose more since 14 May: 31 % against 22 % before, 9 runs."
    # As records that were kept earlier put it: another language still finds the phrase.
    earlier = "diethyl ether, all runs loses more since 14 May: 31 % against 22 % before, 9 runs."
    assert put_anew(earlier, "diethyl ether") == every
    assert put_anew("Still 2 loses more.", "diethyl ether") == "Still 2 loses more."
    assert runs_words(1) == "1 run"
    assert "10 runs more" not in quiet_words("Still 1", runs=3, missing=7, after_reset=False)
    assert quiet_words("Still 1", runs=30, missing=0, after_reset=False) == (
        "Still 1: no lasting change in 30 runs."
    )
    assert "new baseline needs 4 runs more" in quiet_words("Still 1", runs=30, missing=4, after_reset=True)
