"""What a forecast says of a bottle's readings, and each reason for which there is none."""

from __future__ import annotations

import subprocess
import sys
from datetime import date, timedelta
from decimal import Decimal
from math import inf, log

import pytest

from inventory.rules import forecast as rules
from inventory.rules.forecast import CAUTIONS, Point, forecast
from inventory.rules.methods import NOT_STATED
from inventory.rules.peroxide import parse_reading
from tests.house.code import ROOT

STRIP, TITRATION = "strip-25", "iodometric-titration"
LEVEL = Decimal(25)
START = date(2025, 1, 1)
RISING = ((0, "neg"), (60, "0.5"), (120, "2"), (180, "2"), (240, "5"))


def read(*pairs: tuple[int, str], method: str = STRIP) -> list[Point]:
    """Readings as people write them, so many days after the start."""
    found = [(day, parse_reading(text, method=method)) for day, text in pairs]
    return [
        Point(START + timedelta(days=day), r.lower_mg_per_l, r.upper_mg_per_l, r.method) for day, r in found
    ]


def test_rising_readings_give_a_day_after_the_last_one() -> None:
    got = forecast(read(*RISING), LEVEL)
    assert got.code == "forecast"
    assert got.on is not None
    assert START + timedelta(days=240) < got.on < START + timedelta(days=360)
    assert "5 readings since 2025-01-01" in got.words
    assert f"by {got.on.isoformat()}" in got.words
    assert "25 mg/L" in got.words
    assert got.cautions == CAUTIONS


@pytest.mark.parametrize(
    ("code", "points"),
    [
        ("too-few", []),
        ("too-few", read(*RISING[:3])),
        ("too-few", read((0, "?"), *RISING[1:4])),
        ("same-day", read((0, "0.5"), (0, "2"), (30, "2"), (30, "5"))),
        ("mixed-methods", read(*RISING) + read((250, "10"), method="strip-100")),
        ("method-not-stated", read((0, "1"), (60, "2"), (90, "3"), (120, "4"), method=NOT_STATED)),
        ("below-first-step", read(*((day, "neg") for day in range(0, 300, 50)))),
        ("below-first-step", read(*((day, "neg") for day in range(0, 300, 50)), (310, "2"))),
        ("level-reached", read(*RISING, (260, "25"))),
        ("level-reached", read((0, "30"), method=TITRATION)),
        ("falling", read((0, "5"), (60, "2"), (120, "2"), (180, "neg"))),
        ("falling", read((0, "22"), (60, "19"), (120, "17"), (180, "12"), method=TITRATION)),
    ],
)
def test_why_there_is_no_forecast_is_said(code: str, points: list[Point]) -> None:
    got = forecast(points, LEVEL, samples=4)
    assert (got.code, got.on, got.band) == (code, None, ())
    assert got.words.startswith("No forecast. ")
    assert got.words.endswith((".", "?"))


def test_a_far_day_is_no_day_and_no_reason_to_wait() -> None:
    """Twenty titrations that hardly rise: two years and no longer are looked ahead."""
    slow = read(*((30 * n, f"{12 + 0.02 * n:.2f}") for n in range(20)), method=TITRATION)
    got = forecast(slow, Decimal(100), samples=4)
    assert (got.code, got.on) == ("beyond-horizon", None)
    assert "24 months" in got.words
    assert "no reason to test later" in got.words
    assert len(got.band) == 5


def test_level_readings_still_have_an_upper_edge() -> None:
    """What stays the same may rise by as much as the readings leave open."""
    got = forecast(read((0, "2"), (60, "2"), (120, "2"), (180, "2")), LEVEL, samples=4)
    assert got.code == "forecast"
    assert got.growth is not None
    assert got.growth.factor == pytest.approx(1, abs=0.01)
    assert got.growth.high is not None
    assert got.growth.low < 1 < got.growth.high


def test_one_that_may_be_there_already_is_due_on_the_next_day() -> None:
    """A test vouches for its own day: due on that day too, a bottle could never be used."""
    got = forecast(read((0, "neg"), (60, "0.5"), (120, "2"), (180, "10"), (200, "10")), LEVEL)
    assert got.on == START + timedelta(days=201)


def test_off_scale_below_the_level_counts_as_more_than_that() -> None:
    """The top of a strip to 25 under a level of 100: a reading without an upper end."""
    got = forecast(read((0, "2"), (60, "5"), (120, "10"), (180, "25")), Decimal(100))
    without = forecast(read((0, "2"), (60, "5"), (120, "10"), (180, "10")), Decimal(100))
    assert got.code == without.code == "forecast"
    assert got.on is not None
    assert without.on is not None
    assert got.on < without.on


def test_a_reading_past_its_strips_date_may_be_more_than_it_says() -> None:
    """The caller takes the upper end off: sooner, never later."""
    sound = read(*RISING)
    spoilt = [*sound[:-1], Point(sound[-1].day, sound[-1].lower_mg_per_l, None, STRIP)]
    earlier, later = forecast(spoilt, LEVEL).on, forecast(sound, LEVEL).on
    assert earlier is not None
    assert later is not None
    assert earlier <= later


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("neg", 0, 0.5),
        ("<0.5", 0, 0.5),
        ("0.5", 0.25, 1.25),
        ("2", 1.25, 3.5),
        ("5", 3.5, 7.5),
        ("10", 7.5, 17.5),
        ("3", 2, 5),
        ("2-5", 2, 5),
        (">5", 5, inf),
        ("about 5", 5, inf),
        ("25", 25, inf),
    ],
)
def test_a_matched_step_stands_for_what_is_nearest_to_it(text: str, low: float, high: float) -> None:
    """Steps 0, 0.5, 2, 5, 10, 25: from the middle below to the middle above."""
    got = rules._bounds(read((0, text))[0])
    assert got == pytest.approx((log(low) if low else -inf, log(high) if high < inf else inf))


def test_a_titration_is_taken_as_told() -> None:
    assert rules._bounds(read((0, "12.5"), method=TITRATION)[0]) == pytest.approx((log(12.5),) * 2)
    assert rules._bounds(read((0, "3"), method=TITRATION)[0]) == pytest.approx((log(3), log(10)))
    assert rules._bounds(Point(START, Decimal(0), Decimal(0), TITRATION)) == pytest.approx((-inf, log(10)))
    assert rules._bounds(Point(START, Decimal(0), Decimal(0), "an-unknown-one")) == (-inf, inf)


def test_readings_of_days_to_come_are_left_out() -> None:
    points = read(*RISING)
    assert forecast(points, LEVEL, today=START + timedelta(days=200)) == forecast(points[:4], LEVEL)


def test_the_band_holds_the_line_and_meets_the_level_on_the_day() -> None:
    got = forecast(read(*RISING), LEVEL, samples=8)
    plain = forecast(read(*RISING), LEVEL)
    assert (got.code, got.words, got.on) == (plain.code, plain.words, plain.on)
    assert all(p.low_mg_per_l < p.line_mg_per_l < p.high_mg_per_l for p in got.band)
    assert got.on is not None
    before = max((p for p in got.band if p.day < got.on), key=lambda p: p.day)
    after = min((p for p in got.band if p.day >= got.on), key=lambda p: p.day)
    assert before.high_mg_per_l < 25 <= after.high_mg_per_l


def test_the_heavy_packages_are_loaded_only_for_a_fit() -> None:
    program = (
        "import sys; from tests.rules.test_forecast import LEVEL, RISING, forecast, read\n"
        "forecast(read(*RISING[:3]), LEVEL); print({'numpy', 'scipy'} & set(sys.modules))\n"
        "forecast(read(*RISING), LEVEL); print(len({'numpy', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.stdout.split("\n")[:2] == ["set()", "2"], done.stderr
