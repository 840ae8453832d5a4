"""A bound on API requests for each caller and minute, so that one runaway program leaves room for the others.

Counts are shared through the default cache. Asking it at every request would cost as much as an answer, so a
process takes a share of the minute's requests at a time and counts those itself. A caller who comes through
several processes may lose the unused rest of a share: a bound is never exceeded, only met a little early.
With Redis all processes share the counts; without it each process counts alone.
"""

from __future__ import annotations

import logging
from threading import Lock
from time import time

from django.conf import settings
from django.core.cache import cache
from rest_framework.exceptions import Throttled
from rest_framework.request import Request

from inventory.api.authentication import Grant

MINUTE = 60
SHARES = 20  # a share is this part of the bound
CALLERS_MAX = 50_000
logger = logging.getLogger("stillkeep.api")


class Counter:
    """Requests left to each caller in the minute that is going on."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._minute = 0
        self._left: dict[str, int] = {}

    def take(self, caller: str, bound: int, now: float) -> float:
        """Count one request. Returns 0, or the seconds until the next minute when the bound is reached."""
        minute = int(now // MINUTE)
        with self._lock:
            if minute != self._minute or len(self._left) > CALLERS_MAX:
                self._minute, self._left = minute, {}
            left = self._left.get(caller, 0)
            if left > 0:
                self._left[caller] = left - 1
                return 0
        granted = 0 if left < 0 else _share(f"api-rate:{caller}:{minute}", bound)
        with self._lock:
            # -1: nothing is left for anyone in this minute, so the cache need not be asked again.
            self._left[caller] = self._left.get(caller, 0) + granted - 1 if granted else -1
        return 0 if granted else (minute + 1) * MINUTE - now

    def clear(self) -> None:
        with self._lock:
            self._left = {}


def _share(key: str, bound: int) -> int:
    """How many of the next share of requests are within the bound; all when the cache does not answer."""
    share = max(1, bound // SHARES)
    try:
        cache.add(key, 0, 2 * MINUTE)
        taken = cache.incr(key, share)
    except Exception:  # whatever the cache's client raises: a bound is no reason to refuse work
        logger.warning("the cache does not answer; requests are not bounded", exc_info=True)
        return share
    return max(0, min(share, bound - (taken - share)))


counter = Counter()


def check(request: Request) -> None:
    """Count a request of a person or a token. Raises Throttled with the seconds to wait."""
    bound: int = settings.STILLKEEP_API_PER_MINUTE
    if not bound:
        return
    grant = request.auth
    if isinstance(grant, Grant):
        caller = f"token-{grant.token.pk}"
    elif request.user.is_authenticated:
        caller = f"person-{request.user.pk}"
    else:
        check_nobody(request)
        return
    _refuse(counter.take(caller, bound, time()))


def check_nobody(request: Request) -> None:
    """Count a request that nobody answers for, by its address: a tenth of the bound."""
    bound: int = settings.STILLKEEP_API_PER_MINUTE
    if bound:
        address = request.META.get("REMOTE_ADDR", "")
        _refuse(counter.take(f"address-{address}", max(1, bound // 10), time()))


def _refuse(wait_s: float) -> None:
    if wait_s > 0:
        raise Throttled(wait=wait_s)
