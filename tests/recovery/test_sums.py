"""The sums of a run follow its movements: reversals take off, reopen, and leave nothing behind."""

from __future__ import annotations

import uuid

import pytest

from inventory.models import Movement
from inventory.rules.errors import Conflict
from inventory.services import reversal
from inventory.services.audit import audit
from inventory.services.ledger import Posted
from recovery.models import Run, RunSum
from recovery.services.runs import Loss
from recovery.services.sums import parts_by_solvent, rewrite
from tests import factories as make
from tests.recovery.club import PARTS, Still, sums

pytestmark = pytest.mark.django_db
ETHER, THF = "diethyl-ether", "tetrahydrofuran"


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def undo(still: Still, posted: Posted | uuid.UUID) -> None:
    entry = posted if isinstance(posted, uuid.UUID) else posted.entry
    reversal.reverse(**still.at(), entry=entry, reason="wrong bottle")


def closing_of(run: Run) -> uuid.UUID:
    """The entry that stands for the close of a run."""
    lost = Movement.objects.filter(kind="loss", reversed_by=None)
    return (lost.filter(source=run.place) | lost.filter(destination=run.place)).latest("pk").entry


def reopened(run: Run) -> bool:
    return Run.objects.get(pk=run.pk).closed_at is None


def by_hand(run: Run) -> dict[str, tuple[int, int, int, int]]:
    """Charged, returned, lost and held, added up from entries that stand, one after the other."""
    losses = {"water-layer", "air", "still-residue", "product", "reaction", "waste-contractor", "unaccounted"}
    found: dict[str, list[int]] = {}
    for m in Movement.objects.select_related("source", "destination", "solvent", "reversed_by").order_by(
        "pk"
    ):
        if m.reversal_of_id is not None or hasattr(m, "reversed_by"):
            continue
        part = found.setdefault(m.solvent.key, [0, 0, 0, 0])
        if m.destination_id == run.place_id:
            part[2 if m.source.kind in losses else 0] += (
                -m.volume_ul if m.source.kind in losses else m.volume_ul
            )
            part[3] += m.volume_ul
        elif m.source_id == run.place_id:
            part[2 if m.destination.kind in losses else 1] += m.volume_ul
            part[3] -= m.volume_ul
    return {
        key: (c, r, lost, held)
        for key, (c, r, lost, held) in found.items()
        if (c, r, lost, held) != (0, 0, 0, 0)
    }


def agreed(run: Run) -> None:
    """Stored, worked out by the services, and added up here are one."""
    stored = {
        s.solvent.key: tuple(getattr(s, part) for part in PARTS) for s in RunSum.objects.filter(run=run)
    }
    assert {key: parts for key, parts in stored.items() if any(parts)} == by_hand(run)
    worked_out = {tuple(parts[name] for name in PARTS) for parts in parts_by_solvent(run.place_id).values()}
    assert worked_out == set(stored.values())
    assert audit(lab=run.lab, full=True).clean


def test_a_charge_reversed_is_none(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    wrong = still.charge(run, bottle, "30 mL")
    still.charge(run, bottle, "100 mL")
    undo(still, wrong)
    assert sums(run) == (100_000, 0, 0, 100_000)
    assert make.fresh(bottle).volume_ul == 400_000
    agreed(run)


def test_a_return_reversed_is_in_the_run_again(still: Still) -> None:
    run, flask = still.start(), still.flask()
    still.charge(run, still.bottle(), "100 mL")
    wrong = still.back(run, flask, "80 mL")
    undo(still, wrong)
    assert sums(run) == (100_000, 0, 0, 100_000)
    held = make.fresh(flask)
    assert (held.volume_ul, held.lot) == (0, None)
    still.back(run, flask, "70 mL")
    assert sums(run) == (100_000, 70_000, 0, 30_000)
    agreed(run)


def test_a_reversed_close_opens_the_run_again(still: Still) -> None:
    run, bottle, flask = still.start(), still.bottle(), still.flask()
    still.charge(run, bottle, "100 mL")
    still.back(run, flask, "60 mL")
    version = still.close(run, Loss("still-residue", "5 mL")).version
    undo(still, closing_of(run))
    assert reopened(run)
    assert Run.objects.get(pk=run.pk).version == version + 1
    assert sums(run) == (100_000, 60_000, 0, 40_000)
    still.back(run, flask, "20 mL")
    still.close(run, Loss("still-residue", "5 mL"))
    assert sums(run) == (100_000, 80_000, 20_000, 0)
    agreed(run)


def test_reversing_part_of_a_closed_run_opens_it_too(still: Still) -> None:
    """The loss that was named stands; what the reversed return gave back is to be explained again."""
    run, flask, other = still.start(), still.flask(), still.flask()
    still.charge(run, still.bottle(), "100 mL")
    still.back(run, flask, "50 mL")
    wrong = still.back(run, other, "30 mL")
    still.close(run, Loss("air", "1 mL"))
    undo(still, wrong)
    assert reopened(run)
    assert sums(run) == (100_000, 50_000, 20_000, 30_000)
    still.back(run, other, "25 mL")
    still.close(run)
    assert sums(run) == (100_000, 75_000, 25_000, 0)
    agreed(run)


def test_a_charge_reversed_after_the_close_leaves_a_surplus(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    wrong = still.charge(run, bottle, "100 mL")
    still.back(run, still.flask(), "80 mL")
    still.close(run)
    undo(still, wrong)
    held = Run.objects.get(pk=run.pk)
    assert (held.closed_at, held.findings) == (None, ["more-back-than-out"])
    assert sums(run) == (0, 80_000, 20_000, -100_000)
    right = still.charge(run, bottle, "90 mL")
    assert sums(run) == (90_000, 80_000, 20_000, -10_000)
    still.close(run)
    assert sums(run) == (90_000, 80_000, 10_000, 0)
    assert right.movement_ids
    agreed(run)


def test_a_finding_that_no_longer_holds_goes_with_its_entry(still: Still) -> None:
    run = still.start(findings=["smelt of burnt sugar"])
    still.charge(run, still.bottle(), "50 mL")
    wrong = still.back(run, still.flask(), "70 mL")
    found = ["smelt of burnt sugar", "more-back-than-out", "heel-not-kept"]
    assert Run.objects.get(pk=run.pk).findings == found
    undo(still, wrong)
    assert Run.objects.get(pk=run.pk).findings == ["smelt of burnt sugar"]
    agreed(run)


def test_a_surplus_at_the_close_is_reversed_exactly(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "50 mL")
    still.back(run, still.flask(), "70 mL")
    still.close(run)
    undo(still, closing_of(run))
    assert sums(run) == (50_000, 70_000, 0, -20_000)
    agreed(run)


def test_nothing_is_reversed_twice(still: Still) -> None:
    run = still.start()
    charged = still.charge(run, still.bottle(), "50 mL")
    undo(still, charged)
    with pytest.raises(Conflict) as refusal:
        undo(still, charged)
    assert refusal.value.code == "already-reversed"
    assert sums(run) == (0, 0, 0, 0)
    agreed(run)


def test_each_solvent_and_each_run_keeps_its_own(still: Still) -> None:
    run, other, bottle = still.start(), still.start(), still.bottle()
    still.charge(run, bottle, "100 mL")
    still.charge(run, still.bottle(THF), "40 mL")
    wrong = still.charge(other, bottle, "70 mL")
    undo(still, wrong)
    still.close(run, Loss("air", "3 mL", make.solvent(THF)))
    assert (sums(run, ETHER), sums(run, THF)) == ((100_000, 0, 100_000, 0), (40_000, 0, 40_000, 0))
    assert sums(other) == (0, 0, 0, 0)
    agreed(run)


def test_rewriting_changes_nothing_that_is_right(still: Still) -> None:
    run = still.whole("100 mL", "80 mL")
    before = sums(run)
    RunSum.objects.filter(run=run).update(charged_ul=7, lost_ul=8)
    rewrite(run)
    rewrite(run)
    assert sums(run) == before == (100_000, 80_000, 20_000, 0)
    assert RunSum.objects.filter(run=run).count() == 1
