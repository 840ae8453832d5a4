"""Several people at one run, on SQLite and on PostgreSQL: its sums stay exact, and it is closed once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pytest

from tests.concurrency.crew import SIZE, Crew, crew
from tests.concurrency.test_races import _database, added_up


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def hands(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Crew]:
    """A crew that knows runs, on a database of its own."""
    home = tmp_path_factory.mktemp(f"runs-{request.param}")
    url = _database(request, home)
    with crew(str(home), url, module="tests.concurrency.run_worker") as hands:
        hands.one("migrate")
        yield hands


@pytest.fixture(scope="module")
def lab(hands: Crew) -> str:
    slug: str = hands.one("prepare", name="Biscuit Club")
    return slug


def test_charges_and_returns_at_once_add_up(hands: Crew, lab: str) -> None:
    """Three charge from one bottle, three give back into one flask, where every return makes a blend."""
    run, bottle = hands.one("run", lab=lab), hands.one("bottle", lab=lab, amount="400 mL")
    flask = hands.one("flask", lab=lab)
    assert hands.one("charge_often", lab=lab, run=run, pk=bottle, times=50) == {"booked": 50}
    charging = ("charge_often", {"lab": lab, "run": run, "pk": bottle, "times": 12})
    returning = ("return_often", {"lab": lab, "run": run, "pk": flask, "times": 12})
    ends = hands.each([charging, returning] * (SIZE // 2))
    assert ends == [{"booked": 12}] * SIZE
    assert hands.one("sums_of", run=run) == [86_000, 36_000, 0, 50_000]
    assert (hands.one("volume", pk=bottle), hands.one("volume", pk=flask)) == (314_000, 36_000)


def test_a_run_is_closed_once_and_then_takes_nothing(hands: Crew, lab: str) -> None:
    """Whoever comes before the close is counted by it, whoever comes after it is refused."""
    run, bottle = hands.one("run", lab=lab), hands.one("bottle", lab=lab, amount="400 mL")
    assert hands.one("charge_often", lab=lab, run=run, pk=bottle, times=5) == {"booked": 5}
    charging = ("charge_often", {"lab": lab, "run": run, "pk": bottle, "times": 10})
    closing = ("close", {"lab": lab, "run": run})
    ends = hands.each([charging, closing] * (SIZE // 2))
    assert sorted(ends[1::2]) == ["closed"] + ["run-closed"] * (SIZE // 2 - 1)
    charged = added_up(ends[::2])
    assert set(charged) <= {"booked", "run-closed"}
    assert sum(charged.values()) == 10 * (SIZE // 2)
    out_ul = (5 + charged["booked"]) * 1000
    assert hands.one("sums_of", run=run) == [out_ul, 0, out_ul, 0]
    assert hands.one("volume", pk=bottle) == 400_000 - out_ul
    assert hands.one("closed", run=run)


def test_six_closings_are_one(hands: Crew, lab: str) -> None:
    run, bottle = hands.one("run", lab=lab), hands.one("bottle", lab=lab, amount="10 mL")
    hands.one("charge_often", lab=lab, run=run, pk=bottle, times=10)
    ends: Counter[str] = Counter(hands.all("close", lab=lab, run=run))
    assert ends == {"closed": 1, "run-closed": SIZE - 1}
    assert hands.one("sums_of", run=run) == [10_000, 0, 10_000, 0]


def test_six_reopenings_are_one(hands: Crew, lab: str) -> None:
    """What closed it is reversed once, whoever asks at the same moment."""
    run, bottle = hands.one("run", lab=lab), hands.one("bottle", lab=lab, amount="50 mL")
    hands.one("charge_often", lab=lab, run=run, pk=bottle, times=10)
    assert hands.one("close", lab=lab, run=run) == "closed"
    ends: Counter[str] = Counter(hands.all("reopen", lab=lab, run=run))
    assert ends == {"reopened": 1, "run-open": SIZE - 1}
    assert hands.one("sums_of", run=run) == [10_000, 0, 0, 10_000]


def test_closing_opening_again_returning_and_losing_at_once_add_up(hands: Crew, lab: str) -> None:
    """Each waits for the others at the run; what came while it was closed was refused."""
    run, bottle = hands.one("run", lab=lab), hands.one("bottle", lab=lab, amount="400 mL")
    flasks = [hands.one("flask", lab=lab) for _ in range(2)]
    hands.one("charge_often", lab=lab, run=run, pk=bottle, times=100)
    at: dict[str, object] = {"lab": lab, "run": run}
    orders = [("close_and_open", at | {"times": 8})] * 2
    orders += [("return_often", at | {"pk": pk, "times": 10}) for pk in flasks]
    orders += [("tell_often", at | {"times": 8})] * 2
    ends = hands.each(orders)
    toggled, back, lost = (added_up(ends[n : n + 2]) for n in (0, 2, 4))
    assert set(toggled) <= {"closed", "reopened", "run-closed", "run-open"}
    assert set(back) | set(lost) <= {"booked", "run-closed"}
    assert toggled["closed"] - toggled["reopened"] in (0, 1)
    hands.one("reopen", lab=lab, run=run)
    back_ul, lost_ul = back.get("booked", 0) * 1000, lost.get("booked", 0) * 1000
    assert hands.one("sums_of", run=run) == [100_000, back_ul, lost_ul, 100_000 - back_ul - lost_ul]
    assert sum(hands.one("volume", pk=pk) for pk in flasks) == back_ul


def test_one_name_is_one_still(hands: Crew, lab: str) -> None:
    names = ["Still 7", "still 7", "STILL 7"] * (SIZE // 3)
    ends = hands.each([("add_still", {"lab": lab, "name": name}) for name in names])
    assert sorted(ends) == ["added"] + ["name-taken"] * (SIZE - 1)


def test_no_charge_slips_past_a_bad_test(hands: Crew, lab: str) -> None:
    """Three charge to a still while the bottle is found bad: each charge sees the test or was there first."""
    run, bottle = hands.one("still_run", lab=lab), hands.one("cleared_bottle", lab=lab, amount="900 mL")
    charging = ("charge_watching", {"lab": lab, "run": run, "pk": bottle, "times": 15, "at_most": 290})
    told = {"lab": lab, "run": run, "pk": bottle}
    testing = [("bad_test", {**told, "after": after}) for after in (1, 3, 6)]
    ends = hands.each([charging, charging, charging, *testing])
    charged = added_up(ends[:3])
    assert set(charged) <= {"booked", "distilling-not-cleared"}
    assert charged["booked"] > 0
    assert charged["distilling-not-cleared"] > 0
    assert hands.one("sums_of", run=run)[0] == charged["booked"] * 1000
    assert hands.one("clearances", run=run) == charged["booked"]


def test_returns_their_reversals_and_charges_end_and_add_up(hands: Crew, lab: str) -> None:
    """A charge locks run and bottle, a reversal flask and run: one order of locks lets all of them end."""
    run, bottle = hands.one("run", lab=lab), hands.one("bottle", lab=lab, amount="400 mL")
    hands.one("charge_often", lab=lab, run=run, pk=bottle, times=40)
    wrong = [hands.one("return_once", lab=lab, run=run, pk=hands.one("flask", lab=lab)) for _ in range(8)]
    flasks = [hands.one("flask", lab=lab) for _ in range(2)]
    returning = [("return_often", {"lab": lab, "run": run, "pk": pk, "times": 8}) for pk in flasks]
    undoing = ("undo", {"lab": lab, "entries": wrong})
    charging = ("charge_often", {"lab": lab, "run": run, "pk": bottle, "times": 8})
    ends = hands.each([*returning, undoing, undoing, charging, charging])
    assert [ends[n] for n in (0, 1, 4, 5)] == [{"booked": 8}] * 4
    assert added_up(ends[2:4]) == {"reversed": 8, "already-reversed": 8}
    assert hands.one("sums_of", run=run) == [56_000, 16_000, 0, 40_000]
    assert [hands.one("volume", pk=pk) for pk in flasks] == [8_000, 8_000]


def test_the_audit_is_clean_after_all_this(hands: Crew) -> None:
    assert hands.one("audited") == []
