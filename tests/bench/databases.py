"""Private databases for measuring: made once, copied for each measurement, gone afterwards."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests import servers

Environment = dict[str, str]
Prepare = Callable[[Environment], None]
KEY = "only-for-measuring-" + "0123456789abcdef" * 4


def _environment(home: Path, url: str) -> Environment:
    """The environment of a process that works on this database and on nothing of the caller's."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith("STILLKEEP_")
        and name.removesuffix("_FILE") not in {"DATABASE_URL", "REDIS_URL", "SECRET_KEY"}
    }
    return kept | {
        "STILLKEEP_HOME": str(home),
        "STILLKEEP_LOG_LEVEL": "WARNING",
        "STILLKEEP_API_PER_MINUTE": "1000000",  # counted as in use, but out of the way
        "SECRET_KEY": KEY,
        "DATABASE_URL": url,
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
    }


class Databases:
    """`fresh` gives an environment with a new copy of the prepared database."""

    def __init__(self, home: Path, prepare: Prepare) -> None:
        self.home = home
        self.made = 0
        prepare(self.first())

    def first(self) -> Environment:
        raise AssertionError("each kind of database says where its first one is")

    def fresh(self) -> Environment:
        self.made += 1
        return _environment(self.home, self.copy(f"copy{self.made}"))

    def copy(self, name: str) -> str:
        raise AssertionError("each kind of database says how it is copied")


class SQLite(Databases):
    def first(self) -> Environment:
        return _environment(self.home, f"sqlite:///{self.home / 'first.sqlite3'}")

    def copy(self, name: str) -> str:
        for old in self.home.glob("copy*"):  # a large one may fill the disk
            old.unlink()
        shutil.copyfile(self.home / "first.sqlite3", self.home / f"{name}.sqlite3")
        return f"sqlite:///{self.home / name}.sqlite3"


class PostgreSQL(Databases):
    def __init__(self, home: Path, prepare: Prepare, url: str) -> None:
        self.url = url
        super().__init__(home, prepare)

    def first(self) -> Environment:
        self._administer("CREATE DATABASE first")
        return _environment(self.home, self._address("first"))

    def copy(self, name: str) -> str:
        for number in range(1, self.made):
            self._administer(f"DROP DATABASE IF EXISTS copy{number} WITH (FORCE)")
        self._administer(f"CREATE DATABASE {name} TEMPLATE first")
        return self._address(name)

    def _address(self, name: str) -> str:
        return self.url.replace("/postgres?", f"/{name}?")

    def _administer(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.url, autocommit=True) as opened:
            opened.execute(statement.encode())


@contextmanager
def private(kind: str, prepare: Prepare) -> Iterator[Databases]:
    """Databases of one kind, all removed at the end. Raises ServerMissingError without PostgreSQL."""
    with tempfile.TemporaryDirectory(prefix="stillkeep-bench-") as folder:
        if kind == "sqlite":
            yield SQLite(Path(folder), prepare)
            return
        with servers.temp_postgres() as url:
            yield PostgreSQL(Path(folder), prepare, url)
