"""Somebody enters a bottle by hand while a list that holds it is being imported."""

from __future__ import annotations

from threading import Thread
from typing import Any

import pytest
from django.db import OperationalError, connection, models

from inventory.models import Container, ImportedRow, Place
from inventory.rules.errors import Conflict
from inventory.services import bulk, importing
from tests.factories import Club, club, stocked
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


@pytest.mark.django_db(transaction=True)
def test_after_that_it_is_a_conflict_and_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """On PostgreSQL the other one is first and the import is refused; on SQLite nobody else can write."""
    at, real, ends = club(now=NOW), bulk.take_ids, list[str]()

    def late(model: type[models.Model], count: int) -> list[int]:
        if model is Place:
            other = Thread(target=_enter_by_hand, args=(at, ends))
            other.start()
            other.join()
        return real(model, count)

    monkeypatch.setattr(bulk, "take_ids", late)
    if connection.vendor == "sqlite":
        assert stock_in(at, sheet(ROW)).written
        assert (ends, held("B1").volume_ul) == (["locked out"], 300_000)
        return
    with pytest.raises(Conflict) as refused:
        stock_in(at, sheet(ROW))
    assert (refused.value.field, refused.value.code) == ("file", "records-changed")
    assert (ends, held("B1").volume_ul, Container.objects.count()) == (["entered"], 500_000, 1)
    assert not ImportedRow.objects.exists()


def _enter_by_hand(at: Club, ends: list[str]) -> None:
    """In a thread, and so on a connection, of its own; does not wait for a lock."""
    try:
        if connection.vendor == "sqlite":
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA busy_timeout = 0")
        stocked(at, "acetone", "500 mL", code="B1")
        ends.append("entered")
    except OperationalError:
        ends.append("locked out")
    finally:
        connection.close()
