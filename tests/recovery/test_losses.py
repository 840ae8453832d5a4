"""Loss rates are ratios of sums over closed runs of one lab, by any group and any two."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import combinations
from typing import Any

import pytest

from inventory.models import Movement, PlaceKind
from inventory.rules.errors import InputError
from recovery.models import Run, RunKind, RunSum
from recovery.rules.rates import Moments, loss_rate
from recovery.selectors.losses import GROUPS, LossRate, loss_rates
from recovery.services import apparatus as stills
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
ETHER, THF = "diethyl-ether", "tetrahydrofuran"
MARCH, APRIL = date(2026, 3, 1), date(2026, 4, 1)
NEXT_MONTH = make.NOW + timedelta(days=30)
# Purpose, operator, started, solvent, charged and returned in mL.
LOG = (
    ("fat in biscuits", "Mia", make.NOW, ETHER, 400, 360),
    ("fat in biscuits", "Mia", make.NOW, ETHER, 20, 5),
    ("fat in biscuits", "Jo", NEXT_MONTH, ETHER, 100, 80),
    ("leaf pigments", "Jo", make.NOW, THF, 50, 0),
    ("leaf pigments", "Mia", NEXT_MONTH, THF, 200, 150),
    ("leaf pigments", "Mia", NEXT_MONTH, ETHER, 30, 33),
)
COLUMNS = {"purpose": 0, "operator": 1, "month": 2, "solvent": 3}
TOLD = tuple(name for name in GROUPS if name in COLUMNS)


@pytest.fixture
def still() -> Still:
    still = Still(make.club(), now=NEXT_MONTH)
    for purpose, operator, started, key, out, back in LOG:
        still.whole(
            f"{out} mL", f"{back} mL" if back else "", key=key, purpose=purpose, operator_name=operator,
            started_at=started,
        )  # fmt: skip
    return still


def value(row: tuple[Any, ...], name: str) -> Any:
    found = row[COLUMNS[name]]
    return found.date().replace(day=1) if name == "month" else found


def expected(by: tuple[str, ...]) -> dict[tuple[Any, ...], tuple[int, int, int, int]]:
    """Runs, charged, returned and lost by group, added up from the log."""
    found: dict[tuple[Any, ...], list[int]] = {}
    for row in LOG:
        part = found.setdefault(tuple(value(row, name) for name in by), [0, 0, 0, 0])
        for index, amount in enumerate((1, row[4] * 1000, row[5] * 1000, (row[4] - row[5]) * 1000)):
            part[index] += amount
    return {key: (runs, out, back, lost) for key, (runs, out, back, lost) in found.items()}


@pytest.mark.parametrize("by", [*((name,) for name in TOLD), *combinations(TOLD, 2), TOLD, ()])
def test_sums_by_every_group_and_any_two(still: Still, by: tuple[str, ...]) -> None:
    rates = loss_rates(lab=still.lab, by=by)
    found = {
        tuple(rate.group[name] for name in by): (rate.runs, rate.charged_ul, rate.returned_ul, rate.lost_ul)
        for rate in rates
    }
    assert found == expected(by)
    assert [tuple(r.group[n] for n in by) for r in rates] == sorted(found), "in the order of the groups"
    for rate in rates:
        assert rate.loss_fraction == (Decimal(rate.lost_ul) / rate.charged_ul).quantize(Decimal("0.0001"))


def test_a_rate_is_no_mean_of_percentages(still: Still) -> None:
    """Two runs lose 40 of 400 mL and 15 of 20: 55 of 420 are 13.1 %; the mean of 10 % and 75 % is 42.5 %."""
    (rate,) = loss_rates(lab=still.lab, by=("operator",), month=MARCH, operator="Mia")
    assert (rate.runs, rate.charged_ul, rate.lost_ul) == (2, 420_000, 55_000)
    assert rate.loss_fraction == Decimal("0.1310")


def test_by_kind_and_apparatus_and_where_neither_was_told() -> None:
    """A run in two counts for both, and once where they are not asked for."""
    still = Still(make.club(), now=NEXT_MONTH)
    at = still.at(make.NOW)
    one, two = (stills.apparatus_add(**at, name=name, kind="still") for name in ("Still 1", "Still 2"))
    soxhlet = RunKind.objects.get(lab=None, key="soxhlet-extraction")
    still.whole("100 mL", "70 mL", apparatus=[one])
    still.whole("200 mL", "150 mL", apparatus=[one, two], kind=soxhlet)
    still.whole("50 mL", "45 mL")
    by_still = loss_rates(lab=still.lab, by=("apparatus",))
    assert [(r.group["apparatus"], r.runs, r.lost_ul) for r in by_still] == [
        (None, 1, 5_000), ("Still 1", 2, 80_000), ("Still 2", 1, 50_000),
    ]  # fmt: skip
    by_kind = loss_rates(lab=still.lab, by=("kind",))
    assert [(r.group["kind"], r.runs, r.lost_ul) for r in by_kind] == [
        (None, 2, 35_000), ("soxhlet-extraction", 1, 50_000),
    ]  # fmt: skip
    (all_runs,) = loss_rates(lab=still.lab, by=())
    assert (all_runs.runs, all_runs.lost_ul) == (3, 85_000)
    (of_two,) = loss_rates(lab=still.lab, by=("solvent",), apparatus="Still 2", kind="soxhlet-extraction")
    assert of_two.runs == 1


def test_the_interval_is_that_of_the_runs_and_needs_five(still: Still) -> None:
    """Worked out in the database from sums, it is that of the runs one by one."""
    few = {rate.group["solvent"]: rate.rate for rate in loss_rates(lab=still.lab)}
    assert few[ETHER].why == "too-few-runs"
    for _ in range(3):
        still.whole("150 mL", "120 mL")
    (found,) = loss_rates(lab=still.lab, solvent=ETHER)
    pairs = [(400, 40), (20, 15), (100, 20), (30, -3), *[(150, 30)] * 3]
    expected = loss_rate(Moments.of(pairs))
    assert found.rate.runs == 7
    for name in ("fraction", "u", "lower", "upper"):
        assert getattr(found.rate, name) == pytest.approx(getattr(expected, name), rel=1e-9)


def test_the_largest_volumes_do_not_run_over(still: Still) -> None:
    """Squares of 10 000 L in microlitres are more than a whole number of a database holds."""
    RunSum.objects.filter(solvent__key=ETHER).update(charged_ul=10**10, lost_ul=10**9)
    (found,) = loss_rates(lab=still.lab, solvent=ETHER)
    assert found.rate.fraction == pytest.approx(0.1)


def test_months_limit_and_values_choose(still: Still) -> None:
    by_lab: Any = {"lab": still.lab, "by": ("solvent",)}
    in_march = loss_rates(**by_lab, until=MARCH)
    assert [(r.group["solvent"], r.charged_ul) for r in in_march] == [(ETHER, 420_000), (THF, 50_000)]
    assert loss_rates(**by_lab, until=date(2026, 3, 31)) == in_march
    from_april = loss_rates(**by_lab, since=date(2026, 4, 17))
    assert [(r.group["solvent"], r.charged_ul) for r in from_april] == [(ETHER, 130_000), (THF, 200_000)]
    assert loss_rates(**by_lab, since=APRIL, until=MARCH) == []
    (pigments,) = loss_rates(lab=still.lab, by=(), purpose="leaf pigments", operator="Mia")
    assert (pigments.group, pigments.runs, pigments.lost_ul) == ({}, 2, 47_000)


def test_runs_without_a_return_are_counted(still: Still) -> None:
    found = {r.group["solvent"]: r.runs_without_return for r in loss_rates(lab=still.lab)}
    assert found == {ETHER: 0, THF: 1}


def test_more_back_than_out_is_a_negative_loss(still: Still) -> None:
    (rate,) = loss_rates(lab=still.lab, purpose="leaf pigments", solvent=ETHER)
    assert (rate.lost_ul, rate.loss_fraction) == (-3_000, Decimal("-0.1000"))


def test_open_runs_and_other_labs_do_not_count(still: Still) -> None:
    before = loss_rates(lab=still.lab)
    running = still.start()
    still.charge(running, still.bottle(ETHER), "100 mL")
    other = Still(make.second_club(), now=NEXT_MONTH)
    other.whole("300 mL", "1 mL", purpose="fat in biscuits", operator_name="Mia")
    assert loss_rates(lab=still.lab) == before
    (theirs,) = loss_rates(lab=other.lab)
    assert (theirs.runs, theirs.lost_ul) == (1, 299_000)
    still.close(running)
    assert loss_rates(lab=still.lab) != before


def test_one_run_with_two_solvents_is_one_run(still: Still) -> None:
    run = still.start("both")
    still.charge(run, still.bottle(ETHER), "100 mL")
    still.charge(run, still.bottle(THF), "50 mL")
    still.close(run)
    (rate,) = loss_rates(lab=still.lab, by=("purpose",), purpose="both")
    assert (rate.runs, rate.runs_without_return, rate.charged_ul) == (1, 1, 150_000)


def test_a_run_counts_in_the_month_of_the_labs_clock() -> None:
    """23:30 UTC on 31 January is February in Berlin (UTC+1), and January in a lab that keeps UTC."""
    late = datetime(2026, 1, 31, 23, 30, tzinfo=UTC)
    for club, month in ((make.club(), date(2026, 2, 1)), (make.second_club(), date(2026, 1, 1))):
        still = Still(club)
        still.whole("10 mL", "5 mL", started_at=late)
        assert [rate.group for rate in loss_rates(lab=club.lab, by=("month",))] == [{"month": month}]


def test_where_nothing_was_charged_there_is_no_rate() -> None:
    still = Still(make.club())
    run = still.whole("10 mL", "5 mL")
    RunSum.objects.filter(run=run).update(charged_ul=0)
    (rate,) = loss_rates(lab=still.lab)
    assert rate.loss_fraction is None
    assert isinstance(rate, LossRate)


def test_an_unknown_group_is_refused(still: Still) -> None:
    for more in ({"by": ("still",)}, {"weather": "fine"}):
        with pytest.raises(InputError) as refusal:
            loss_rates(lab=still.lab, **more)
        assert (refusal.value.field, refusal.value.code) == ("by", "unknown-group")


def test_the_sums_are_those_of_the_named_places(still: Still) -> None:
    """What is lost is what stands at the named losses in the end: nothing is counted twice."""
    places = {m.place_id for m in Run.objects.filter(lab=still.lab)}
    lost = sum(rate.lost_ul for rate in loss_rates(lab=still.lab))
    gone = Movement.objects.filter(source_id__in=places, destination__kind=PlaceKind.UNACCOUNTED)
    came = Movement.objects.filter(destination_id__in=places, source__kind=PlaceKind.UNACCOUNTED)
    assert lost == sum(m.volume_ul for m in gone) - sum(m.volume_ul for m in came)
