"""Somebody enters a bottle by hand while a list that holds it is being imported."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from threading import Thread
from typing import Any

import pytest
from django.db import OperationalError, connection, models

from inventory.models import Container, ImportedRow, Place
from inventory.rules.errors import Conflict
from inventory.services import bulk, importing
from tests.factories import Club, club, empty, stocked
from tests.inventory.club_lists import NOW, errors, held, sheet, stock_in

ROW = "B1;acetone;bought;1 L;300 mL;2026-01-05;2026-02-01;;;;"


@pytest.mark.django_db
def test_before_the_lab_is_locked_the_list_is_looked_at_again(monkeypatch: pytest.MonkeyPatch) -> None:
    at, real = club(now=NOW), importing.lock_lab

    def late(lab: Any) -> Any:
        stocked(at, "acetone", "500 mL", code="B1")
        return real(lab)

    monkeypatch.setattr(importing, "lock_lab", late)
    report = stock_in(at, sheet(ROW, ROW.replace("B1", "B2")))
    assert errors(report) == {(2, "Bottle no.", "code-taken")}
    assert (held("B1").volume_ul, held("B2").volume_ul) == (500_000, 300_000)


def _meanwhile(monkeypatch: pytest.MonkeyPatch, at: Club, work: Callable[..., Any]) -> list[str]:
    """Have somebody else do `work` in the middle of the next import; what came of it is added to the list."""
    real, ends = bulk.take_ids, list[str]()

    def late(model: type[models.Model], count: int) -> list[int]:
        if model is Place:
            other = Thread(target=_by_hand, args=(work, at, ends))
            other.start()
            other.join(120)
            assert not other.is_alive()
        return real(model, count)

    monkeypatch.setattr(bulk, "take_ids", late)
    return ends


@pytest.mark.django_db(transaction=True)
def test_a_bottle_received_by_hand_waits_for_the_list(monkeypatch: pytest.MonkeyPatch) -> None:
    at = club(now=NOW)
    ends = _meanwhile(monkeypatch, at, partial(stocked, key="acetone", amount="500 mL", code="B1"))
    assert stock_in(at, sheet(ROW)).written
    assert (ends, held("B1").volume_ul) == (["locked out"], 300_000)


@pytest.mark.django_db(transaction=True)
def test_a_flask_added_by_hand_is_a_conflict_and_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """On PostgreSQL the other one is first and the import is refused; on SQLite nobody else can write."""
    at = club(now=NOW)
    ends = _meanwhile(monkeypatch, at, partial(empty, code="B1"))
    if connection.vendor == "sqlite":
        assert stock_in(at, sheet(ROW)).written
        assert (ends, held("B1").volume_ul) == (["locked out"], 300_000)
        return
    with pytest.raises(Conflict) as refused:
        stock_in(at, sheet(ROW))
    assert (refused.value.field, refused.value.code) == ("file", "records-changed")
    assert (ends, held("B1").volume_ul, Container.objects.count()) == (["entered"], 0, 1)
    assert not ImportedRow.objects.exists()


def _by_hand(work: Callable[..., Any], at: Club, ends: list[str]) -> None:
    """In a thread, and so on a connection, of its own; does not wait for a lock."""
    sqlite = connection.vendor == "sqlite"
    try:
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA busy_timeout = 0" if sqlite else "SET lock_timeout = '300ms'")
        work(at)
        ends.append("entered")
    except OperationalError:
        ends.append("locked out")
    finally:
        if not sqlite:
            with connection.cursor() as cursor:
                cursor.execute("RESET lock_timeout")  # the connection goes back to a pool
        connection.close()
