"""A series that loses more is found, named, told by an alert, and ended by the facts."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Alert, Movement
from inventory.selectors.alert_subjects import subjects_of
from inventory.services import reversal
from inventory.services.audit import audit
from inventory.services.sweep import sweep
from recovery.models import Apparatus, LossSignal, Run
from recovery.services import apparatus as stills
from recovery.services import loss_signals
from recovery.services.run_details import run_change
from recovery.services.sweep import LOSES_MORE
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
STILL_2 = "fat in biscuits, still 2"
# Charged 200 mL each; what came back in mL: about a fifth is lost, then two fifths.
GOOD = (160, 158, 162, 159, 161, 157, 163, 160, 158, 162, 160, 161)
LEAKY = (120, 118, 121, 119)
SOLVENT = "petroleum-ether-40-60"


class Club(Still):
    """Plays runs week by week; petroleum ether, so that no test is needed before each."""

    def play(self, backs: tuple[int, ...], *, week: int = 0, **facts: Any) -> list[Run]:
        made = []
        for number, back in enumerate(backs, start=week):
            when = make.NOW + timedelta(days=7 * number)
            run = self.start(now=when, **({"purpose": STILL_2} | facts))
            bottle = make.fresh(make.stocked(self.club, SOLVENT, "250 mL", now=when))
            self.charge(run, bottle, "200 mL", now=when, test=False)
            if back:
                self.back(run, make.fresh(make.empty(self.club, now=when)), f"{back} mL", now=when)
            made.append(self.close(run, now=when))
        return made

    def standing(self) -> list[LossSignal]:
        return list(LossSignal.objects.filter(lab=self.lab, ended_at=None))

    def later(self, week: int) -> Any:
        return make.NOW + timedelta(days=7 * week, hours=2)


@pytest.fixture
def club() -> Club:
    return Club(make.club())


def still_2(club: Club) -> Apparatus:
    at: Any = club.at(make.NOW)
    return stills.apparatus_add(**at, name="Still 2", kind="still")


def test_a_leak_is_found_named_and_told(club: Club) -> None:
    made = club.play(GOOD + LEAKY)
    (signal,) = club.standing()
    assert (signal.purpose, signal.direction, signal.apparatus) == (STILL_2, "more", None)
    assert signal.since_run_id == made[len(GOOD)].pk
    assert signal.last_run_id == made[-1].pk
    assert signal.data["runs"] == [run.pk for run in made[len(GOOD) :]]
    day = made[len(GOOD)].started_at
    # 4 runs lost 322 of 800 mL; 12 before lost 479 of 2400 mL.
    assert signal.words == (
        f"{STILL_2} loses more since {day.day} {day:%B}: 40 % against 20 % before, 4 runs. "
        "Few runs yet: the size of it is not known well."
    )
    counts = sweep(now=club.later(16))
    assert counts[LOSES_MORE.key].opened == 1
    alert = Alert.objects.get(rule=LOSES_MORE.key)
    assert subjects_of([alert])[alert.pk].name.startswith(f"{STILL_2} loses more since")
    assert sweep(now=club.later(16))[LOSES_MORE.key].opened == 0


def test_it_ends_when_the_runs_are_as_before(club: Club) -> None:
    club.play(GOOD + LEAKY)
    sweep(now=club.later(16))
    club.play((160,) * 12, week=16)
    assert club.standing() == []
    sweep(now=club.later(29))
    alert = Alert.objects.get(rule=LOSES_MORE.key)
    assert (alert.closed_at is not None, alert.cured_by) == (True, "runs as before")
    # And a leak after that is another signal, and another alert.
    club.play(LEAKY, week=30)
    assert len(club.standing()) == 1
    sweep(now=club.later(36))
    assert Alert.objects.filter(rule=LOSES_MORE.key).count() == 2


def test_a_recorded_repair_ends_it_and_one_taken_back_does_not(club: Club) -> None:
    still = still_2(club)
    made = club.play(GOOD + LEAKY, apparatus=[still])
    (signal,) = club.standing()
    assert (signal.apparatus, signal.purpose) == (still, ""), "one leak, told once: of the still"
    assert signal.words.startswith("Still 2 loses more since")
    sweep(now=club.later(16))
    at: Any = club.at(club.later(16))
    record = stills.record_add(**at, apparatus=still, what="repaired", note="new joint")
    assert club.standing() == []
    sweep(now=club.later(17))
    assert Alert.objects.get(rule=LOSES_MORE.key).cured_by == "repaired"
    stills.record_withdraw(**club.at(club.later(18)), row=record, reason="another still")
    (again,) = club.standing()
    assert again.since_run_id == made[len(GOOD)].pk


def test_a_repair_that_mended_nothing_is_told_again(club: Club) -> None:
    still = still_2(club)
    club.play(GOOD + LEAKY, apparatus=[still])
    stills.record_add(**club.at(club.later(16)), apparatus=still, what="repaired")
    made = club.play(LEAKY, week=17, apparatus=[still])
    (signal,) = club.standing()
    assert signal.since_run_id == made[0].pk


def test_a_reversal_takes_the_runs_out_again(club: Club) -> None:
    made = club.play(GOOD + LEAKY)
    for run in made[len(GOOD) :]:
        lost = Movement.objects.get(source=run.place, kind="loss")
        reversal.reverse(**club.at(club.later(17)), entry=lost.entry, reason="wrong still")
    assert club.standing() == []
    assert LossSignal.objects.get().ended_words == "The runs behind it were corrected."


def test_losing_less_is_kept_and_opens_no_alert(club: Club) -> None:
    club.play((*GOOD, 185, 186, 184, 185))
    (signal,) = club.standing()
    assert signal.direction == "less"
    assert sweep(now=club.later(16))[LOSES_MORE.key].opened == 0


def test_from_less_to_more_is_another_signal(club: Club) -> None:
    club.play(GOOD + (175,) * 4 + (60,) * 8)
    (signal,) = club.standing()
    assert signal.direction == "more"
    assert LossSignal.objects.filter(direction="less", ended_at__isnull=False).count() == 1


def test_runs_without_a_return_and_few_runs_say_nothing(club: Club) -> None:
    club.play(GOOD[:9] + LEAKY[:1])
    assert club.standing() == []
    club.play((0, 0, 0, 0, 0), week=20)
    assert not LossSignal.objects.exists()


def test_working_it_out_again_changes_nothing(club: Club) -> None:
    club.play(GOOD + LEAKY)
    before = list(LossSignal.objects.values())
    loss_signals.refresh_lab(lab=club.lab, now=club.later(16))
    assert list(LossSignal.objects.values()) == before


def test_the_audit_works_every_series_out_again(club: Club) -> None:
    club.play(GOOD + LEAKY)
    assert not list(loss_signals.signal_differences(club.lab, full=True))
    assert "loss-signal" not in {finding.check for finding in audit(lab=club.lab, full=True).findings}
    (signal,) = club.standing()
    LossSignal.objects.filter(pk=signal.pk).update(ended_at=club.later(16))
    (finding,) = loss_signals.signal_differences(None, full=True)
    assert (finding.expected, finding.found) == (f"more since run {signal.since_run_id}", "none")
    assert not list(loss_signals.signal_differences(club.lab, full=False))


def test_other_purposes_and_labs_are_left_alone(club: Club) -> None:
    club.play(GOOD + LEAKY)
    other = Club(make.second_club())
    other.play(GOOD[:6])
    club.play(GOOD, purpose="fat in biscuits, still 1")
    (signal,) = club.standing()
    assert signal.purpose == STILL_2
    assert other.standing() == []


def test_a_changed_run_leaves_its_series(club: Club) -> None:
    """The still was told wrongly: once it is put right, the signal is that of the purpose."""
    still = still_2(club)
    made = club.play(GOOD + LEAKY, apparatus=[still])
    for run in made[len(GOOD) :]:
        run.refresh_from_db()
        run_change(**club.at(club.later(17)), run=run, changes={"apparatus": []})
    (signal,) = club.standing()
    assert (signal.apparatus, signal.purpose) == (None, STILL_2)
