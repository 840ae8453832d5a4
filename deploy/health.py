"""Is the process up, and can it do its work: for service managers and proxies, without signing in."""

from __future__ import annotations

import logging
from functools import cache

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.views.decorators.http import require_safe

from inventory.models import append_only

logger = logging.getLogger("stillkeep.health")


@require_safe
def healthz(request: HttpRequest) -> JsonResponse:
    """200 while the process answers at all."""
    return _answer({"process": "up"}, 200)


@require_safe
def readyz(request: HttpRequest) -> JsonResponse:
    """200 when the database answers, no migration waits and every guard on the records stands; else 503."""
    checks = {"database": "answers", "migrations": "applied", "triggers": "present"}
    try:
        connection.ensure_connection()
        if not _migrated():
            checks["migrations"] = "waiting: run manage.py migrate"
            _migrated.cache_clear()
        if append_only.missing(connection):
            checks["triggers"] = "missing: run manage.py migrate"
    except DatabaseError:
        logger.exception("the database does not answer")
        checks = {"database": "does not answer"}
    good = checks == {"database": "answers", "migrations": "applied", "triggers": "present"}
    return _answer(checks, 200 if good else 503)


def _answer(checks: dict[str, str], status: int) -> JsonResponse:
    response = JsonResponse(
        {"status": "ok" if status == 200 else "not ready", "checks": checks}, status=status
    )
    response["Cache-Control"] = "no-store"
    if status == 503:
        response["Retry-After"] = "5"
    return response


@cache
def _migrated() -> bool:
    """Whether every migration of this code is applied; once true it stays so while the process lives."""
    executor = MigrationExecutor(connection)
    return not executor.migration_plan(executor.loader.graph.leaf_nodes())
