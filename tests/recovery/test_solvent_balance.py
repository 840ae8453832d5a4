"""The solvent balance of a lab at work: it closes for any sequence of events, and agrees with the shelf."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from importlib import import_module
from typing import Any

import pytest
from django.apps import apps
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from inventory.models import Container, Movement
from inventory.rules.errors import InputError
from inventory.services import reversal, volumes, waste
from inventory.services.audit import audit
from inventory.services.waste import WasteFacts
from recovery.models import Reuse, RunSum
from recovery.rules.solvent_balance import Report, SolventBalance
from recovery.selectors.solvent_balance import solvent_balance
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
PLAIN = "ethyl-acetate"


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def one(still: Still, **period: Any) -> SolventBalance:
    (found,) = solvent_balance(lab=still.lab, **period).solvents
    return found


def reused(still: Still) -> int:
    return sum(Reuse.objects.filter(lab=still.lab).values_list("reused_ul", flat=True))


def test_a_run_and_its_return_charged_again(still: Still) -> None:
    """Bought 1 L, 500 mL out, 400 back; the 400 out again: I2 is 400, and only from then on."""
    bottle, flask = still.bottle(PLAIN, "1 L", capacity_ul=1_100_000), still.flask()
    first = still.start()
    still.charge(first, bottle, "500 mL")
    still.back(first, flask, "400 mL")
    still.close(first)
    assert one(still).volume.i2 == 0
    still.charge(still.start(), flask, "400 mL")
    found = one(still).volume
    assert (found.i2, found.i1, found.consumption) == (400_000, 100_000, 100_000)
    assert found.outputs["O9"] == found.fugitive == 100_000
    assert (found.opening, found.closing) == (0, 900_000)
    assert one(still).stock == {"container": (0, 500_000), "run": (0, 400_000)}


def test_it_counts_every_time_and_not_when_booked_back(still: Still) -> None:
    bottle, flask = still.bottle(PLAIN, "1 L", capacity_ul=1_100_000), still.flask()
    run = still.start()
    still.charge(run, bottle, "500 mL")
    still.back(run, flask, "400 mL")
    entries = [still.charge(still.start(), flask, "100 mL").entry for _ in range(3)]
    assert reused(still) == 300_000
    reversal.reverse(**still.at(), entry=entries[1], reason="wrong flask")
    assert reused(still) == 200_000


def test_of_a_blend_only_what_was_distilled_here_counts(still: Still) -> None:
    """300 mL recovered and 100 mL bought make a blend of which three quarters count; odd parts round down."""
    bottle, flask = still.bottle(PLAIN, "1 L", capacity_ul=1_100_000), still.flask()
    run = still.start()
    still.charge(run, bottle, "500 mL")
    still.back(run, flask, "300 mL")
    volumes.pour(**still.at(), source=make.fresh(bottle), into=make.fresh(flask), amount="100 mL")
    entry = still.charge(still.start(), flask, "0.005 mL").entry
    assert reused(still) == 3
    reversal.reverse(**still.at(), entry=entry, reason="wrong flask")
    assert reused(still) == 0
    still.charge(still.start(), flask, "100 mL")
    assert reused(still) == 75_000


def test_what_was_charged_before_months_were_kept_is_counted_by_the_migration(still: Still) -> None:
    """The migration's own function against what the services kept, of a blend and with one booked back."""
    migration = import_module("recovery.migrations.0003_kinds_apparatus_quality_losses")
    bottle, flask = still.bottle(PLAIN, "1 L", capacity_ul=1_100_000), still.flask()
    run = still.start()
    still.charge(run, bottle, "500 mL")
    still.back(run, flask, "300 mL")
    still.charge(still.start(), flask, "50 mL")
    volumes.pour(**still.at(), source=make.fresh(bottle), into=make.fresh(flask), amount="100 mL")
    still.charge(still.start(), flask, "0.007 mL")
    wrong = still.charge(still.start(), flask, "10 mL").entry
    reversal.reverse(**still.at(), entry=wrong, reason="wrong flask")
    kept = list(Reuse.objects.values_list("lab", "solvent", "month", "reused_ul"))
    assert kept[0][3] == 50_000 + 5  # of the blend 250 of 350 mL were distilled here: 5 of 7 µl
    Reuse.objects.all().delete()
    migration._count_what_was_put_back_in(apps, None)
    assert list(Reuse.objects.values_list("lab", "solvent", "month", "reused_ul")) == kept


def test_the_audit_finds_a_month_that_is_wrong(still: Still) -> None:
    still.whole("500 mL", "400 mL", key=PLAIN)
    flask = Container.objects.get(volume_ul=400_000)
    still.charge(still.start(), flask, "400 mL")
    assert audit(lab=still.lab, full=True).findings == ()
    Reuse.objects.update(reused_ul=399_999)
    (finding,) = audit(lab=still.lab, full=True).findings
    assert (finding.check, finding.expected, finding.found) == ("reuse", "400000", "399999")


def test_closing_stock_of_one_period_opens_the_next(still: Still) -> None:
    january = datetime(2026, 1, 10, 12, tzinfo=UTC)
    bottle = make.stocked(still.club, PLAIN, now=january, received_on=january.date())
    end = still.club.end("air")
    volumes.draw(**still.at(january), container=bottle, amount="100 mL", destination=end)
    volumes.draw(**still.at(), container=make.fresh(bottle), amount="50 mL", destination=end)
    year = one(still).volume
    first = one(still, until=january.date()).volume
    second = one(still, since=make.TODAY).volume
    assert (first.opening, first.closing, first.outputs["O4"]) == (0, 400_000, 100_000)
    assert (second.opening, second.closing, second.outputs["O4"]) == (400_000, 350_000, 50_000)
    assert year.i1 == first.i1 + second.i1
    with pytest.raises(InputError, match="before it begins"):
        solvent_balance(lab=still.lab, since=make.TODAY, until=january.date())


def test_waste_counts_when_it_is_put_in(still: Still) -> None:
    facts = WasteFacts(stream="halogen-free", capacity_ul=5_000_000, code="W-1")
    can = waste.waste_add(**{**still.at(), "actor": still.club.steward}, facts=facts)
    bottle = still.bottle(PLAIN)
    run = still.start()
    still.charge(run, bottle, "100 mL")
    still.close(run, Loss("waste-container", "60 mL", waste=can))
    before = one(still).volume
    assert (before.outputs["O6"], before.outputs["O9"]) == (60_000, 40_000)
    waste.collect(**still.at(), waste=can)
    assert one(still).volume == before


def test_it_reads_months_not_movements(still: Still) -> None:
    bottle = still.bottle(PLAIN)
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as asked:
            solvent_balance(lab=still.lab)
        counts.append(len(asked))
        assert not any("inventory_movement" in query["sql"] for query in asked.captured_queries)
        for _ in range(20):
            volumes.draw(
                **still.at(),
                container=make.fresh(bottle),
                amount="1 mL",
                destination=still.club.end("reaction"),
            )
    assert counts == [3, 3]


# -- any sequence of events

ENDS = ("air", "product", "reaction", "unaccounted", "waste-contractor")
KINDS = ("charge", "back", "close", "draw", "put_back", "pour", "count", "discard", "undo")
# Every kind comes up in every example, in any order.
ORDER = st.permutations(["charge", "charge", "back", *KINDS, *KINDS, "back"])
NUMBERS = st.lists(
    st.tuples(st.integers(0, 50), st.integers(0, 50), st.integers(1, 130)), min_size=22, max_size=22
)
done: Counter[str] = Counter()


class Events:
    """Carries steps out through the services; a step that the records forbid is left out."""

    def __init__(self) -> None:
        self.still = Still(make.club())
        self.bottles = [self.still.bottle(key, "300 mL") for key in (PLAIN, PLAIN, "acetone")]
        self.bottles += [self.still.flask(), self.still.flask()]
        self.runs = [self.still.start(purpose=f"run {n}", distils=n > 0) for n in range(3)]
        self.steward = {**self.still.at(), "actor": self.still.club.steward}

    def take(self, what: str, one: int, other: int, percent: int) -> None:
        bottle, into = (make.fresh(self.bottles[n % len(self.bottles)]) for n in (one, one + 1 + other % 4))
        run = self.runs[other % len(self.runs)]
        amount = {"value": str(max(1, 300_000 * percent // 101)), "unit": "uL"}
        end = ENDS[other % len(ENDS)]
        steps: dict[str, Callable[[], Any]] = {
            "charge": lambda: self.still.charge(run, bottle, amount),  # type: ignore[arg-type]
            "back": lambda: self.still.back(run, bottle, amount, solvent=self._charged(run)),  # type: ignore[arg-type]
            "close": lambda: self.still.close(
                run, Loss("water-layer", {"value": "1", "unit": "mL"}, self._charged(run))
            ),
            "draw": lambda: volumes.draw(
                **self.still.at(), container=bottle, amount=amount, destination=self.still.club.end(end)
            ),
            "put_back": lambda: volumes.put_back(
                **self.still.at(), container=bottle, amount=amount, source=self.still.club.end(end)
            ),
            "pour": lambda: volumes.pour(**self.still.at(), source=bottle, into=into, amount=amount),
            "count": lambda: volumes.count(**self.steward, container=bottle, amount=amount),
            "discard": lambda: volumes.discard(**self.steward, container=bottle),
            "undo": lambda: self._undo(one),
        }
        try:
            with transaction.atomic():
                steps[what]()
            done[what] += 1
        except InputError:
            pass

    def _charged(self, run: Any) -> Any:
        found = RunSum.objects.select_related("solvent").filter(run=run).order_by("-held_ul").first()
        return found and found.solvent

    def _named(self, run: Any, percent: int) -> list[Loss]:
        return [Loss("water-layer", "1 mL", self._charged(run))] if percent % 3 == 0 else []

    def _undo(self, back: int) -> None:
        entries = list(Movement.objects.order_by("-pk").values_list("entry", flat=True)[:6])
        by = {**self.still.at(), "actor": self.still.club.supervisor}
        reversal.reverse(**by, entry=entries[back % len(entries)], reason="wrong", may_loosen=True)

    def check(self, found: Report) -> None:
        lab = self.still.lab
        held: Counter[str] = Counter()
        for key, volume_ul in Container.objects.filter(lab=lab, volume_ul__gt=0).values_list(
            "lot__solvent__key", "volume_ul"
        ):
            held[key] += volume_ul
        for key, held_ul in RunSum.objects.filter(run__lab=lab).values_list("solvent__key", "held_ul"):
            held[key] += held_ul
        for solvent in found.solvents:
            for figures in (solvent.volume, solvent.mass):
                assert figures.difference == 0
                assert figures.i1 == sum(figures.outputs.values())
            assert solvent.volume.closing == held[solvent.key]
        assert found.total.difference == 0
        assert audit(lab=lab, full=True).findings == ()


@given(order=ORDER, numbers=NUMBERS)
@settings(
    max_examples=10,
    deadline=None,
    database=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],
)
def test_it_closes_for_any_sequence_of_events(order: list[str], numbers: list[tuple[int, int, int]]) -> None:
    with transaction.atomic():
        events = Events()
        for what, given_numbers in zip(order, numbers, strict=True):
            events.take(what, *given_numbers)
        events.check(solvent_balance(lab=events.still.lab))
        transaction.set_rollback(True)


def test_every_kind_of_event_was_carried_out() -> None:
    """Runs after the one before: steps that are all refused would prove nothing."""
    assert set(done) == set(KINDS)


def test_months_of_reuse_follow_the_charge_told_late(still: Still) -> None:
    earlier = make.NOW - timedelta(days=60)
    bottle = make.stocked(still.club, PLAIN, now=earlier, received_on=earlier.date())
    run = still.start(now=earlier)
    still.charge(run, bottle, "200 mL", now=earlier)
    flask = make.fresh(make.empty(still.club, now=earlier))
    still.back(run, flask, "150 mL", now=earlier)
    again = still.start(now=earlier + timedelta(days=1), started_at=earlier)
    still.charge(again, flask, "100 mL", happened_at=earlier + timedelta(hours=1))
    (month,) = Reuse.objects.filter(lab=still.lab).values_list("month", "reused_ul")
    assert month == (earlier.date().replace(day=1), 100_000)
