"""The short way to the tables, for a new database, and the long way, for one that is upgraded, meet."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.state import ModelState

from tests.house.test_house import run
from tests.house.upgrade import LongWay

ADDRESS = re.compile(" object at 0x[0-9a-f]+")


def test_both_ways_come_to_the_same_models() -> None:
    short, long = MigrationLoader(None).project_state(), LongWay(None).project_state()
    ours = [key for key in short.models if key[0] in {"inventory", "recovery"}]
    assert len(ours) > 30
    for key in ours:
        assert _plain(short.models[key]) == _plain(long.models[key]), key


def _plain(model: ModelState) -> tuple[object, ...]:
    """Fields by name, and options with indexes and constraints in any order."""
    fields = {name: ADDRESS.sub("", repr(field.deconstruct()[1:])) for name, field in model.fields.items()}
    options = {name: value for name, value in model.options.items() if value}
    for kind in ("indexes", "constraints"):
        options[kind] = sorted(repr(each.deconstruct()) for each in options.get(kind, []))
    return fields, options


@pytest.mark.full
def test_an_old_database_that_is_upgraded_has_the_tables_of_a_new_one(tmp_path: Path) -> None:
    done = run(
        sys.executable, "-m", "tests.house.upgrade",
        STILLKEEP_HOME=str(tmp_path), SECRET_KEY="0123456789abcdefghij" * 3,
        DATABASE_URL=f"sqlite:///{tmp_path}/tables", DJANGO_SETTINGS_MODULE="deploy.settings",
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, ""), done.stdout + done.stderr
