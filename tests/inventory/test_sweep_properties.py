"""Whatever changes in whatever order, the sweep leaves the alerts that the plain rules say, in any parts."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from inventory.models import Alert, Container, Lab, StockLevel
from inventory.rules.alerts import OWN_CODES
from inventory.services.stock_levels import stock_level_put
from inventory.services.sweep import sweep
from tests.factories import Club, club, solvent, stocked
from tests.inventory.plain_alerts import expected

ZONES = ("UTC", "Pacific/Kiritimati", "Etc/GMT+12", "Europe/Berlin", "America/Havana", "Asia/Kathmandu")
BEGUN = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
# Days on which calendars are known to go wrong: clocks that change, ends of months, a leap day.
TURNS = ("2026-03-08", "2026-03-29", "2026-10-25", "2027-02-28", "2026-12-31", "2028-02-29", "2028-03-01")
days = st.sampled_from([date.fromisoformat(turn) for turn in TURNS]).flatmap(
    lambda turn: st.integers(-20, 20).map(lambda shift: turn + timedelta(days=shift))
)
moments = st.builds(
    lambda day, minutes: datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(minutes=minutes),
    days,
    st.integers(0, 1439),
)
FACTS: dict[str, st.SearchStrategy[Any]] = {
    "next_test_due": st.none() | days,
    "dispose_on": st.none() | days,
    "expires_on": st.none() | days,
    "forecast_on": st.none() | days,
    "policy_due": st.none() | days,
    "untested_since": st.none() | days.map(lambda day: day - timedelta(days=90)),
    "quarantined_at": st.none() | moments.map(lambda moment: moment - timedelta(days=30)),
    "discarded_at": st.none() | st.just(BEGUN),
    "count_off_ul": st.sampled_from([None, -5000]),
    "volume_ul": st.sampled_from([0, 500_000]),
    "worst_sign": st.sampled_from(["", "", "cloudy"]),
    "due_code": st.sampled_from(["opened-interval", "opened-interval", "not-a-former", *OWN_CODES]),
}
change = st.sampled_from(sorted(FACTS)).flatmap(lambda name: st.tuples(st.just(name), FACTS[name]))
step = st.tuples(st.integers(0, 5), change) | st.tuples(st.just("notice"), st.integers(0, 40))
sweeps = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def standing() -> set[tuple[str, str, int]]:
    found = Alert.objects.filter(closed_at=None).values_list("rule", "subject_kind", "subject_id")
    assert len(found) == len(set(found))
    return set(found)


class SweepProperties(TestCase):
    clubs: list[Club]
    bottles: list[Container]

    @classmethod
    def setUpTestData(cls) -> None:
        cls.clubs = [club(f"Club {n}", time_zone=zone, now=BEGUN) for n, zone in enumerate(ZONES)]
        cls.bottles = [stocked(at, "diethyl-ether", now=BEGUN, received_on=BEGUN.date()) for at in cls.clubs]
        for at in cls.clubs:
            stock_level_put(
                lab=at.lab, actor=at.steward, now=BEGUN, solvent=solvent("diethyl-ether"), minimum_ul=500_000
            )

    def change(self, step: Any) -> None:
        where, what = step
        if where == "notice":
            Lab.objects.filter(pk=self.clubs[0].lab.pk).update(due_soon_days=what)
        else:
            name, value = what
            Container.objects.filter(pk=self.bottles[where].pk).update(**{name: value})

    @sweeps
    @given(st.lists(st.tuples(moments, st.lists(step, max_size=5)), min_size=1, max_size=6))
    def test_what_stands_is_what_the_plain_rules_say(self, rounds: Any) -> None:
        """The moments come in any order, so the clock is set back as often as not."""
        Alert.objects.all().delete()
        for now, steps in rounds:
            for each in steps:
                self.change(each)
            closed = set(Alert.objects.exclude(closed_at=None).values_list("pk", "closed_at", "cured_by"))
            sweep(now=now)
            assert standing() == expected(now)
            # What was closed stays as it is: a lapse is a new row.
            assert closed <= set(
                Alert.objects.exclude(closed_at=None).values_list("pk", "closed_at", "cured_by")
            )
        assert not Alert.objects.exclude(closed_at=None).filter(cured_by="").exists()

    @sweeps
    @given(
        st.lists(step, max_size=12),
        moments,
        st.sets(st.integers(1, 5), max_size=5),
        st.randoms(use_true_random=False),
    )
    def test_parts_come_to_what_one_sweep_comes_to(
        self, steps: Any, now: Any, cuts: Any, random: Any
    ) -> None:
        for each in steps:
            self.change(each)
        Alert.objects.all().delete()
        whole = _totals([sweep(now=now), sweep(now=now + timedelta(days=3))])
        found = _rows()
        Alert.objects.all().delete()
        ids = sorted(at.lab.pk for at in self.clubs)
        edges = [0, *sorted(cuts), len(ids)]
        parts = [(ids[low], ids[high - 1]) for low, high in pairwise(edges)]
        parts = [(low if n else 0, high) for n, (low, high) in enumerate(parts)]
        done = []
        for moment in (now, now + timedelta(days=3)):
            random.shuffle(parts)
            done += [sweep(now=moment, labs=part) for part in parts]
        assert _rows() == found
        assert _totals(done) == whole

    def test_levels_are_there_to_fall_below(self) -> None:
        assert StockLevel.objects.count() == len(ZONES)


def _rows() -> list[tuple[Any, ...]]:
    columns = (
        "lab_id", "rule", "subject_kind", "subject_id", "due_on", "opened_at", "closed_at", "cured_by",
        "escalated_at",
    )  # fmt: skip
    return sorted(Alert.objects.values_list(*columns), key=str)


def _totals(done: list[Any]) -> Counter[tuple[str, str]]:
    found: Counter[tuple[str, str]] = Counter()
    for swept in done:
        for rule, each in swept.items():
            found.update({(rule, "opened"): each.opened, (rule, "closed"): each.closed})
            found.update({(rule, "escalated"): each.escalated})
    return found
