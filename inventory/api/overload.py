"""When the database is busy or away, a caller is asked to come again, not told that something broke."""

from __future__ import annotations

import sqlite3

from django.db import InterfaceError, OperationalError

RETRY_AFTER_S = 5
# Busy, locked, read or write fault, disk full, cannot open: https://www.sqlite.org/rescode.html
_PASSING = {5, 6, 10, 13, 14}


def is_overload(error: BaseException | None) -> bool:
    """Whether the same request may succeed later: a lock held too long, no free connection, no server.

    SQLite reports faults in a statement by the same class; its result code tells them apart.
    """
    if not isinstance(error, OperationalError | InterfaceError):
        return False
    cause = error.__cause__
    if isinstance(cause, sqlite3.Error):
        return getattr(cause, "sqlite_errorcode", 0) & 0xFF in _PASSING
    return True
