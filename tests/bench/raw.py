"""The driver alone, without Django: what the floor of each measurement runs on."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from typing import Any

import psycopg
from django.db import connection


class Raw:
    """A connection of the bare driver to the database Django uses, with the same guarantees switched on.

    Statements are written with %s and run as the driver wants them.
    """

    def __init__(self) -> None:
        self.sqlite = connection.vendor == "sqlite"
        self.begin = "BEGIN IMMEDIATE" if self.sqlite else "BEGIN"
        self.connection: Any = _sqlite() if self.sqlite else _postgresql()

    def sql(self, text: str) -> str:
        return text.replace("%s", "?") if self.sqlite else text

    def execute(self, text: str, values: Sequence[Any] = ()) -> Any:
        """Run one statement written with %s; returns the driver's cursor."""
        return self.connection.execute(self.sql(text), values)

    def close(self) -> None:
        self.connection.close()


def _sqlite() -> sqlite3.Connection:
    opened = sqlite3.connect(connection.settings_dict["NAME"], isolation_level=None, timeout=20)
    opened.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;")
    return opened


def _postgresql() -> psycopg.Connection[Any]:
    return psycopg.connect(os.environ["DATABASE_URL"], autocommit=True)
