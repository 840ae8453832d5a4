"""`manage.py demo` as a visitor meets it, and the demo's story checked as if it were real stock."""

from __future__ import annotations

import re
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from deploy.demo import DAYS, SLUG, STILL_1, STILL_2, demo_lab
from inventory.models import Alert, Container, Lab, Movement, Place, User
from inventory.selectors.alert_subjects import subjects_of
from inventory.selectors.due import due_list, today_in
from inventory.services.audit import audit
from inventory.services.sweep import sweep
from recovery.management.commands.losses import signals_text
from recovery.models import LossSignal, Run
from recovery.selectors.losses import loss_rates
from tests.house.test_up import check, processor_time, running

READY_RATIO_MAX = 4  # as in test_up
LEAP_DAY = datetime(2028, 2, 29, 22, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.mark.once
def test_the_first_start_shows_address_login_due_list_and_ledger(home: Path) -> None:
    with processor_time() as floor:
        check(home)
    with processor_time() as spent, running(home, "demo") as server:
        assert server.get("/login/")[0] == 200
        assert server.get("/readyz")[0] == 200
        code, _ = server.stop(signal.SIGINT)
    assert spent[0] < READY_RATIO_MAX * floor[0]
    assert code == 0
    assert "Traceback" not in server.said
    assert re.search(r"Login: \S+ +Password: \S+", server.said)
    assert re.search(r"overdue +CL07 +diisopropyl ether +A", server.said)
    assert re.search(r"bad test +\S+ +tetrahydrofuran", server.said)
    assert re.search(r"fat in biscuits, still 2 +diethyl-ether +\d+", server.said)
    assert re.search(r"! fat in biscuits, still 2 loses more since \d+ \w+", server.said)
    assert (home / "demo" / "stillkeep.sqlite3").exists()


@pytest.mark.once
def test_a_second_start_finds_the_same_lab_and_password(home: Path) -> None:
    password = (home / "demo" / "demo-password").read_text(encoding="ascii")
    with running(home, "demo") as server:
        server.stop(signal.SIGTERM)
    assert password in server.said
    assert "CL07" in server.said


@pytest.fixture
def lab(db: None, tmp_path: Path, settings: pytest.FixtureRequest) -> Lab:
    settings.STILLKEEP_HOME = tmp_path  # type: ignore[attr-defined]
    return demo_lab(now=LEAP_DAY)


def test_the_story_balances(lab: Lab) -> None:
    report = audit(lab=lab, full=True)
    assert not report.findings
    assert Movement.objects.filter(lab=lab).count() > 300
    assert not Movement.objects.filter(happened_at__gt=LEAP_DAY).exists()


def test_the_story_has_what_a_visitor_should_find(lab: Lab) -> None:
    states = {item.code: item for item in due_list(lab=lab, today=today_in(lab, LEAP_DAY))}
    found = {item.state for item in states.values()}
    assert {"sign seen", "bad test", "fact missing", "overdue"} <= found
    overdue = [item for item in states.values() if item.state == "overdue"]
    assert any("ether" in item.solvent for item in overdue)
    assert Run.objects.filter(lab=lab, closed_at=None).count() == 1
    runs = Run.objects.filter(lab=lab).order_by("started_at")
    assert (runs[len(runs) - 1].started_at - runs[0].started_at).days > 400


def test_the_leaky_still_shows_in_the_loss_rates(lab: Lab) -> None:
    """Still 2 loses more in the last months than before and than still 1; still 1 stays as it was."""
    rates = loss_rates(lab=lab, by=["purpose", "month"])
    months = sorted({rate.group["month"] for rate in rates})
    late = set(months[-4:])

    def rate_of(purpose: str, recent: bool) -> float:
        chosen = [r for r in rates if r.group["purpose"] == purpose and (r.group["month"] in late) == recent]
        return sum(r.lost_ul for r in chosen) / sum(r.charged_ul for r in chosen)

    assert rate_of(STILL_2.purpose, True) > rate_of(STILL_2.purpose, False) + 0.08
    assert rate_of(STILL_2.purpose, True) > rate_of(STILL_1.purpose, True) + 0.08
    assert abs(rate_of(STILL_1.purpose, True) - rate_of(STILL_1.purpose, False)) < 0.05


def test_the_chart_finds_the_leaky_still_and_names_it(lab: Lab) -> None:
    """One signal, of still 2 and of none else, from the week in which the story lets it leak."""
    (signal,) = LossSignal.objects.filter(lab=lab)
    assert (signal.direction, signal.ended_at) == ("more", None)
    assert STILL_2.purpose in signal.words
    began = LEAP_DAY - timedelta(days=DAYS + 1 - 7 * (DAYS // 7 * 2 // 3 + 1))
    leaking = Run.objects.filter(purpose=STILL_2.purpose, started_at__gt=began, closed_at__isnull=False)
    assert signal.since_run == leaking.earliest("started_at")
    assert signal.data["after"]["lower"] > signal.data["before"]["upper"]
    sweep(now=LEAP_DAY, lab=lab)
    alert = Alert.objects.get(lab=lab, rule="loses-more")
    assert STILL_2.purpose in subjects_of([alert])[alert.pk].name
    said = signals_text(lab, LEAP_DAY)
    assert said.startswith(f"! {STILL_2.purpose} loses more since")
    assert STILL_1.purpose not in said


def test_asking_again_makes_nothing(lab: Lab) -> None:
    before = (Container.objects.count(), User.objects.count(), Place.objects.count())
    assert demo_lab(now=LEAP_DAY).slug == SLUG
    assert (Container.objects.count(), User.objects.count(), Place.objects.count()) == before
