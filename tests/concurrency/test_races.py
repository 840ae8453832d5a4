"""Six processes at once on SQLite and on PostgreSQL, with the project's own settings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit
from uuid import uuid4

import psycopg
import pytest

from tests.concurrency.crew import SIZE, Crew, crew


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def hands(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Crew]:
    """A crew on a database of its own, already set up by the test of the one-time link."""
    home = tmp_path_factory.mktemp(request.param)
    url = _database(request, home)
    with crew(str(home), url) as hands:
        hands.one("migrate")
        yield hands


def _database(request: pytest.FixtureRequest, home: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{home / 'race.sqlite3'}"
    url: str = request.getfixturevalue("postgres_url")
    server = urlsplit(url)
    name = f"race_{uuid4().hex[:12]}"
    with psycopg.connect(url, autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"')
    return urlunsplit(server._replace(path=f"/{name}"))


@pytest.fixture(scope="module")
def lab(hands: Crew) -> str:
    """A lab for all tests; each has bottles of its own."""
    slug: str = hands.one("prepare", name="Biscuit Club")
    return slug


def added_up(answers: list[dict[str, int]]) -> Counter[str]:
    return sum((Counter(answer) for answer in answers), Counter[str]())


def test_one_setup_link_makes_one_person(hands: Crew) -> None:
    """Comes first: the link is made only while nobody can sign in."""
    secret = hands.one("setup_link")
    ends = hands.each([("set_up", {"secret": secret, "username": f"first-{n}"}) for n in range(SIZE)])
    assert sorted(ends) == ["link-spent"] * (SIZE - 1) + ["made"]
    assert hands.one("people") == [1, 1]
    assert hands.one("setup_link") is None


def test_without_the_guard_more_is_granted_than_there_is(hands: Crew, lab: str) -> None:
    """The race that the others are about does happen here: 300 mL, 600 tries of 1 mL."""
    pk = hands.one("bottle", lab=lab, amount="300 mL")
    granted = sum(hands.all("draw_unguarded", pk=pk, tries=100))
    assert granted > 300
    assert hands.one("volume", pk=pk) != 300_000 - granted * 1000
    found = [line.split(":")[0] for line in hands.one("audited")]
    assert found == ["container-balance", "container-lot", "zero-sum"]
    hands.one("set_back", pk=pk, volume_ul=300_000)


def test_600_draws_of_1_ml_from_300_ml_grant_exactly_300(hands: Crew, lab: str) -> None:
    pk = hands.one("bottle", lab=lab, amount="300 mL")
    ends = added_up(hands.all("draw", lab=lab, pk=pk, tries=100))
    assert ends["granted"] == 300
    assert set(ends) <= {"granted", "not-enough", "container-empty"}
    assert sum(ends.values()) == 600
    assert hands.one("volume", pk=pk) == 0
    assert hands.one("movements", pk=pk, kind="draw") == 300


def test_opposing_pours_and_tests_end_and_balance(hands: Crew, lab: str) -> None:
    """Each locks what the other needs; one order of locks lets all of them end."""
    one, two = (hands.one("bottle", lab=lab, amount="200 mL") for _ in range(2))
    there = ("pour", {"lab": lab, "source": one, "into": two, "times": 12})
    back = ("pour", {"lab": lab, "source": two, "into": one, "times": 12})
    tests = [("test", {"lab": lab, "pk": pk, "times": 12}) for pk in (one, two)]
    ends = hands.each([there, back, there, back, *tests])
    assert [set(answer) for answer in ends[:4]] == [{"poured"}] * 4
    assert set(added_up(ends[4:])) <= {"tested", "contents-changed"}
    assert hands.one("volume", pk=one) == hands.one("volume", pk=two) == 200_000


def test_one_key_does_the_work_once(hands: Crew, lab: str) -> None:
    pk = hands.one("bottle", lab=lab, amount="100 mL")
    answers = hands.all("draw_once", lab=lab, pk=pk, key=str(uuid4()))
    assert sorted(repeated for repeated, _, _ in answers) == [False] + [True] * (SIZE - 1)
    assert len({body["entry"] for _, _, body in answers}) == 1
    assert {status for _, status, _ in answers} == {201}
    assert hands.one("volume", pk=pk) == 90_000


def test_an_entry_is_reversed_once(hands: Crew, lab: str) -> None:
    pk = hands.one("bottle", lab=lab, amount="100 mL")
    entry = hands.one("entry_of", pk=pk)
    ends = hands.all("reverse", lab=lab, entry=entry)
    assert sorted(ends) == ["already-reversed"] * (SIZE - 1) + ["reversed"]
    assert hands.one("volume", pk=pk) == 0


def test_the_sums_of_a_run_follow_charges_and_reversals(hands: Crew, lab: str) -> None:
    """A reversal knows nothing of runs, yet none may work a run's sums out beside another."""
    bottles = [hands.one("bottle", lab=lab, amount="100 mL") for _ in range(SIZE)]
    run, half, times = hands.one("run", lab=lab), SIZE // 2, 6
    at = {"lab": lab, "run": run}
    hands.one("charge_and_take_back", **at, pk=bottles[0], times=1)
    orders = [("charge_and_take_back", {**at, "pk": pk, "times": times}) for pk in bottles[:half]]
    hands.each(orders + [("give_back", {**at, "pk": pk, "times": times}) for pk in bottles[half:]])
    stored, worked_out = hands.one("run_sums", run=run)
    assert stored == worked_out == [(half + 1) * 1000, (half + 1 - half * times) * 1000]


def test_disposal_and_draws_to_the_same_end_do_not_lock_each_other_out(hands: Crew, lab: str) -> None:
    bottles = [[hands.one("bottle", lab=lab, amount="10 mL") for _ in range(12)] for _ in range(SIZE // 2)]
    open_ones = [hands.one("bottle", lab=lab, amount="100 mL") for _ in range(SIZE // 2)]
    orders: list[tuple[str, dict[str, object]]] = [("discard", {"lab": lab, "pks": pks}) for pks in bottles]
    to_waste: dict[str, object] = {"lab": lab, "tries": 30, "kind": "waste-contractor"}
    orders += [("draw", {**to_waste, "pk": pk}) for pk in open_ones]
    assert hands.each(orders) == [12] * (SIZE // 2) + [{"granted": 30}] * (SIZE // 2)


def test_a_policy_reaches_what_is_received_and_drawn_meanwhile(hands: Crew) -> None:
    """The audit at the end finds any date that was stored by the policy before."""
    lab = hands.one("prepare", name="Pigment Club")
    bottles = [hands.one("bottle", lab=lab, amount="100 mL", opened="unopened") for _ in range(8)]
    keys = ["cornell", "cautious-default"] * 6
    orders = [("change_policy", {"lab": lab, "keys": keys})]
    orders += [("receive_many", {"lab": lab, "times": 25})] * 2
    orders += [("draw", {"lab": lab, "pk": pk, "tries": 25}) for pk in bottles[: SIZE - 3]]
    hands.each(orders)
    assert hands.one("audited") == []


def test_one_code_is_given_once(hands: Crew, lab: str) -> None:
    """Capitals make no new code."""
    for codes in (["B07"], ["B08", "b08"]):
        orders = [("receive", {"lab": lab, "code": codes[n % len(codes)]}) for n in range(SIZE)]
        assert sorted(hands.each(orders)) == ["code-taken"] * (SIZE - 1) + ["received"]


def test_a_sealed_bottle_is_opened_once(hands: Crew, lab: str) -> None:
    """However many draw at once, the clock starts, and the stored due date fits the opening."""
    pk = hands.one("bottle", lab=lab, amount="100 mL", opened="unopened", inhibited=True)
    before = hands.one("facts", pk=pk)
    assert added_up(hands.all("draw", lab=lab, pk=pk, tries=3)) == {"granted": 18}
    after = hands.one("facts", pk=pk)
    assert before == ["unopened", "None", "2027-03-10"]
    assert after == ["opened", "2026-03-10", "2026-09-10"]


def test_the_last_supervisor_stays(hands: Crew) -> None:
    lab = hands.one("prepare", name="Leaf Club")
    both = hands.one("second_supervisor", lab=lab)
    assert len(both) == 2
    orders = [("step_down", {"lab": lab, "username": both[n % 2]}) for n in range(SIZE)]
    ends = hands.each(orders)
    assert "last-supervisor" in ends
    assert len(hands.one("supervisors", lab=lab)) == 1


def test_supervisors_who_come_and_go_do_not_lock_each_other_out(hands: Crew) -> None:
    lab = hands.one("prepare", name="Chlorophyll Club")
    both = hands.one("second_supervisor", lab=lab)
    # PostgreSQL ends a deadlock with an error, which the crew would answer.
    hands.each([("come_and_go", {"lab": lab, "username": both[n % 2], "times": 30}) for n in range(SIZE)])
    assert 1 <= len(hands.one("supervisors", lab=lab)) <= 2


def test_the_audit_is_clean_after_all_this(hands: Crew) -> None:
    assert hands.one("audited") == []
