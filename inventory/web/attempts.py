"""A bound on attempts, shared by all processes: each attempt takes one of a fixed number of slots.

A slot is a cache key that is added only when it is free and ends by itself, so two attempts at once never
share one. It lives in the database, because an attempt may reach any process and Redis may be down.
"""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from math import ceil
from time import time

from django.core.cache import caches
from django.http import HttpRequest
from django.utils.translation import ngettext

CACHE = "attempts"
MINUTE = 60


@dataclass(frozen=True)
class Limit:
    """At most `attempts` in any `seconds` for one value of what `name` stands for."""

    name: str
    attempts: int
    seconds: int

    def keys(self, value: str) -> list[str]:
        """Cache keys of the slots; what was typed is not kept, and capitals make no new value."""
        folded = unicodedata.normalize("NFKC", value).casefold().strip()
        digest = hashlib.sha256(f"{self.name}:{folded}".encode()).hexdigest()
        return [f"{digest}:{number}" for number in range(self.attempts)]


@dataclass(frozen=True)
class Slot:
    """A taken slot, or how long until the next one is free."""

    key: str = ""
    wait_seconds: int = 0


def take(limit: Limit, value: str) -> Slot:
    """Take a slot. When all are taken, `key` is empty and `wait_seconds` says when to try again."""
    cache, keys, now = caches[CACHE], limit.keys(value), time()
    taken = cache.get_many(keys)
    for key in keys:
        if key not in taken and cache.add(key, now + limit.seconds, limit.seconds):
            return Slot(key)
    ends = cache.get_many(keys).values()
    return Slot(wait_seconds=max(1, round(min(ends, default=now) - now)))


def give_back(*slots: Slot) -> None:
    """Free slots whose attempt did not count after all."""
    caches[CACHE].delete_many([slot.key for slot in slots if slot.key])


def forget(limit: Limit, value: str) -> None:
    """Free every slot of a value."""
    caches[CACHE].delete_many(limit.keys(value))


def address_of(request: HttpRequest) -> str:
    """Where an attempt comes from."""
    return str(request.META.get("REMOTE_ADDR", ""))


def too_many(wait_seconds: int) -> str:
    """What somebody is told who tried too often."""
    minutes = ceil(wait_seconds / MINUTE)
    return ngettext(
        "There were too many attempts. Wait %(minutes)d minute, then try again.",
        "There were too many attempts. Wait %(minutes)d minutes, then try again.",
        minutes,
    ) % {"minutes": minutes}
