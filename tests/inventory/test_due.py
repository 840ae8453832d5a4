"""The order of the due list: what could hurt somebody comes first, whatever the calendar says."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.management.commands.due import due_text
from inventory.models import Container
from inventory.selectors.due import due_list
from inventory.services import safety
from inventory.services.due_telling import judged
from tests.factories import NOW, TODAY, Club, club, stocked

pytestmark = pytest.mark.django_db


def sign(lab: Club, container: Container, what: str) -> None:
    safety.observe(lab=lab.lab, actor=lab.member, now=NOW, container=container, sign=what)


def test_danger_comes_before_the_calendar() -> None:
    here = club()
    ether: dict[str, Any] = {
        "key": "diethyl-ether",
        "received_on": TODAY - timedelta(days=400),
        "inhibited": True,
    }
    stocked(here, code="OLD", **ether)
    stocked(here, code="WHEN", **{**ether, "opened": "unknown"})
    bad = stocked(here, code="BAD", key="tetrahydrofuran", inhibited=True)
    safety.test_record(
        lab=here.lab,
        actor=here.steward,
        now=NOW,
        container=bad,
        reading="30",
        method="strip-100",
        tested_on=TODAY,
    )
    sign(here, stocked(here, code="CRYSTALS", key="acetone"), "crystals")
    sign(here, stocked(here, code="FADED", key="acetone"), "label-unreadable")
    stocked(here, code="CALM", key="diethyl-ether", inhibited=True)
    found = due_list(lab=here.lab, today=TODAY)
    assert [(item.code, item.state) for item in found] == [
        ("CRYSTALS", "sign seen"),
        ("BAD", "bad test"),
        ("WHEN", "fact missing"),
        ("OLD", "overdue"),
        ("FADED", "look at it"),
    ]


def test_a_stuck_cap_is_grave_on_a_former_alone() -> None:
    here = club()
    sign(here, stocked(here, code="A", key="acetone"), "cap-stuck")
    sign(here, stocked(here, code="E", key="diethyl-ether", inhibited=True), "cap-stuck")
    states = {item.code: item.state for item in due_list(lab=here.lab, today=TODAY)}
    assert states == {"E": "sign seen", "A": "look at it"}


@pytest.mark.parametrize(
    ("days_to_go", "state"),
    [(-1, "overdue"), (0, "due today"), (1, "due soon"), (14, "due soon"), (15, None)],
)
def test_the_calendar_edges(days_to_go: int, state: str | None) -> None:
    here = club()
    bottle = stocked(here, key="diethyl-ether", inhibited=True)
    assert bottle.next_test_due is not None
    found = due_list(lab=here.lab, today=bottle.next_test_due - timedelta(days=days_to_go))
    assert [item.state for item in found] == ([state] if state else [])


def test_nothing_soothing_stands_beside_a_sign() -> None:
    here = club()
    sign(here, stocked(here, key="acetone"), "crystals")
    text = due_text(here.lab, NOW)
    assert "crystals" in text
    assert "no test is needed" not in text
    assert due_text(club("Other Club").lab, NOW) == "Nothing is due, and nothing falls due soon."


def test_page_api_and_command_have_one_mind_about_crystals() -> None:
    """A former that is due in months by the calendar: the sign leads, and no days stand beside it."""
    here = club()
    bottle = stocked(here, key="diethyl-ether", inhibited=True)
    sign(here, bottle, "crystals")
    (item,) = judged(due_list(lab=here.lab, today=TODAY), TODAY)
    assert (item.level, item.due_code, item.days) == ("do-not-touch", "sign-crystals", None)
    assert "Test due" not in item.words
    assert "do not open, test" in item.advice
    text = due_text(here.lab, NOW)
    assert "Leave it where it is" in text
    assert "Test due" not in text
