"""Settings for the tests: the real ones, cut off from the caller's data, with a fast password hasher.

STILLKEEP_TEST_DB=postgresql runs on PostgreSQL: at STILLKEEP_TEST_DATABASE_URL, or on a private server that
starts with the tests and ends with them. Otherwise SQLite in a file: WAL and several processes need one.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

_home = Path(tempfile.mkdtemp(prefix="stillkeep-test-"))
_owner = os.getpid()


@atexit.register
def _clean() -> None:
    if os.getpid() == _owner:
        shutil.rmtree(_home, ignore_errors=True)


for _name in ("DATABASE_URL", "REDIS_URL", "SECRET_KEY", "EMAIL_URL"):
    os.environ.pop(_name, None)
    os.environ.pop(f"{_name}_FILE", None)
for _name in [name for name in os.environ if name.startswith("STILLKEEP_") and "_TEST_" not in name]:
    os.environ.pop(_name)
os.environ["STILLKEEP_HOME"] = str(_home)
os.environ["SECRET_KEY"] = "only-for-tests-" + "0123456789abcdef" * 4

if os.environ.get("STILLKEEP_TEST_DB", "sqlite") == "postgresql":
    if "STILLKEEP_TEST_DATABASE_URL" not in os.environ:
        from tests.servers import postgres_for_this_process

        os.environ["STILLKEEP_TEST_DATABASE_URL"] = postgres_for_this_process()
    os.environ["DATABASE_URL"] = os.environ["STILLKEEP_TEST_DATABASE_URL"]

from deploy.settings import *  # noqa: E402, F403
from deploy.settings import DATABASES, STORAGES  # noqa: E402

if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    DATABASES["default"]["TEST"] = {"NAME": str(_home / "test.sqlite3")}
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
STILLKEEP_API_PER_MINUTE = 1_000_000  # what the tests ask in a minute is no measure; the bound has its own
