"""Several people at one waste container, one cabinet and one tree, on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.concurrency.crew import SIZE, Crew, crew
from tests.concurrency.test_races import _database, added_up


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def hands(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Crew]:
    """A crew that knows waste and storage, on a database of its own."""
    home = tmp_path_factory.mktemp(f"storage-{request.param}")
    url = _database(request, home)
    with crew(str(home), url, module="tests.concurrency.storage_worker") as hands:
        hands.one("migrate")
        yield hands


@pytest.fixture(scope="module")
def lab(hands: Crew) -> str:
    slug: str = hands.one("prepare", name="Biscuit Club")
    return slug


def bottles(hands: Crew, lab: str, amount: str, count: int = SIZE) -> list[int]:
    return [hands.one("bottle", lab=lab, key="ethyl-acetate", amount=amount) for _ in range(count)]


def test_a_waste_container_is_never_fuller_than_it_is_large(hands: Crew, lab: str) -> None:
    """1 L, 120 tries of 10 mL: exactly 100 go in."""
    pk = hands.one("can", lab=lab, litres=1)
    orders = [
        ("fill_often", {"lab": lab, "pk": pk, "bottle": bottle, "times": 20})
        for bottle in bottles(hands, lab, "300 mL")
    ]
    ends = added_up(hands.each(orders))
    assert ends == {"filled": 100, "over-capacity": 20}
    assert hands.one("held", pk=pk) == [1000.0, False, 100]


def test_fillings_reversals_and_collections_end_and_balance(hands: Crew, lab: str) -> None:
    """Each locks what the other needs; one order of locks lets all of them end."""
    pk = hands.one("can", lab=lab, litres=20)
    filled = bottles(hands, lab, "900 mL")
    orders = [
        ("fill_and_take_back", {"lab": lab, "pk": pk, "bottle": bottle, "times": 8}) for bottle in filled[:2]
    ]
    orders += [("fill_often", {"lab": lab, "pk": pk, "bottle": bottle, "times": 8}) for bottle in filled[2:4]]
    orders += [("collect_and_bring_back", {"lab": lab, "pk": pk, "times": 6})] * 2
    ends = added_up(hands.each(orders))
    assert set(ends) <= {"filled", "taken-back", "collected", "moved-on"}
    volume_ml, _, entries = hands.one("held", pk=pk)
    assert volume_ml == 10 * entries == 10 * (ends["filled"] - ends["taken-back"])
    assert hands.one("audited") == []


def test_it_is_collected_once(hands: Crew, lab: str) -> None:
    pk, (bottle,) = hands.one("can", lab=lab, litres=1), bottles(hands, lab, "100 mL", 1)
    hands.one("fill_often", lab=lab, pk=pk, bottle=bottle, times=3)
    ends = added_up(hands.all("collect_once", lab=lab, pk=pk))
    assert ends == {"taken": 1, "collected": SIZE - 1}
    assert hands.one("held", pk=pk)[:2] == [0.0, True]


def test_a_cabinet_that_refuses_is_never_too_full(hands: Crew, lab: str) -> None:
    """2 L, 18 bottles of 500 mL put away by six at once: four stand there."""
    location = hands.one("cabinet", lab=lab, litres=2)
    pks = bottles(hands, lab, "500 mL", 18)
    orders = [
        ("put_away_all", {"lab": lab, "pks": pks[n * 3 : n * 3 + 3], "location": location})
        for n in range(SIZE)
    ]
    assert added_up(hands.each(orders)) == {"stands": 4, "over-limit": 14}


def test_a_tree_never_bites_its_tail(hands: Crew, lab: str) -> None:
    names = [f"Box {n}" for n in range(4)]
    turned = [names[n % 4 :] + names[: n % 4] for n in range(SIZE)]
    for name in names:
        hands.one("place", lab=lab, name=name)
    orders = [("move_often", {"lab": lab, "names": order, "times": 8}) for order in turned]
    ends = added_up(hands.each(orders))
    assert set(ends) <= {"moved", "inside-itself"}
    assert ends["inside-itself"] > 0


def test_the_audit_is_clean_after_all_this(hands: Crew) -> None:
    assert hands.one("audited") == []
