"""How often the forecast is right in simulated bottles; `tests.rules.coverage` prints the full table."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from scipy.stats import binom

from inventory.rules import censored
from tests.rules.coverage import STRIP, TITRATION, Setting, simulate

BOTTLES = 400
NOMINAL = 0.95
# A right band falls below these counts once in a thousand runs with other seeds.
DOUBT = 0.001


def least(count: int) -> int:
    return int(binom.ppf(DOUBT, count, NOMINAL))


@pytest.mark.parametrize(
    "setting",
    [
        Setting("exponential", STRIP, 4, 0.3),
        Setting("exponential", STRIP, 8, 0.15),
        Setting("exponential", TITRATION, 6, 0.3),
        # Slower than the line supposes: the band errs on the early side only.
        Setting("quadratic", STRIP, 6, 0.3),
        Setting("linear", STRIP, 6, 0.3),
    ],
    ids=str,
)
def test_the_band_and_the_day_keep_what_they_promise(setting: Setting) -> None:
    found = simulate(setting, BOTTLES)
    assert found.judged > BOTTLES / 2, found.codes
    assert found.below_upper >= least(found.judged)
    assert found.early_enough >= least(found.dated)


def test_the_day_is_not_worthless_for_being_safe() -> None:
    """Six strips leave a month or more until the next test in most bottles."""
    found = simulate(Setting("exponential", STRIP, 6, 0.15), 60)
    assert np.median(found.notice_days) > 30


def test_a_band_for_large_samples_would_fail_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check can tell: with the chi-squared cutoff too few readings lie below."""
    monkeypatch.setattr(censored, "_cutoff", lambda readings, values, confidence: 1.6448536**2)
    found = simulate(Setting("exponential", TITRATION, 4, 0.3), BOTTLES)
    assert found.below_upper < least(found.judged)


def test_after_an_inhibitor_no_reading_foretells_the_rise() -> None:
    """Why the caution stands: growth that sets in all at once is not covered, and nothing claims it is."""
    found = simulate(Setting("after-inhibitor", STRIP, 6, 0.15), 60)
    assert found.early_enough < least(found.dated)


def test_the_simulation_is_what_it_says() -> None:
    """Without scatter every exponential bottle lies on a line in the logarithm."""
    from tests.rules.coverage import _content

    content = _content(Setting("exponential", STRIP, 4, 0.1), np.random.default_rng(1))
    rises = [log(content(day + 30) / content(day)) for day in (0, 100, 500)]
    assert rises == pytest.approx([rises[0]] * 3)
