"""The ways to the tables, for a new database and for one that is upgraded, all meet."""

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


def tables(url: str, home: Path, *ways: str) -> None:
    """Nothing differs between databases made in these ways."""
    done = run(
        sys.executable, "-m", "tests.house.upgrade", *ways,
        STILLKEEP_HOME=str(home), SECRET_KEY="0123456789abcdefghij" * 3,
        DATABASE_URL=url, DJANGO_SETTINGS_MODULE="deploy.settings",
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, ""), done.stdout + done.stderr


@pytest.mark.once
def test_a_first_start_makes_the_tables_that_the_migrations_come_to(tmp_path: Path) -> None:
    tables(f"sqlite:///{tmp_path}/tables", tmp_path, "new", "straight")


@pytest.mark.full
def test_and_so_it_does_on_postgresql_where_the_way_back_is_open_too(
    tmp_path: Path, postgres_url: str
) -> None:
    tables(postgres_url, tmp_path, "new", "straight", "back")


@pytest.mark.full
def test_an_old_database_that_is_upgraded_has_the_tables_of_a_new_one(tmp_path: Path) -> None:
    tables(f"sqlite:///{tmp_path}/tables", tmp_path, "new", "old", "back")
