"""Keyset pages: no OFFSET and no COUNT, so that the last page costs what the first one does.

Own code rather than the framework's cursor: that one keeps its place by one column with an offset for ties
and cannot stand on an empty date, and retest dates are both tied and empty.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import orjson
from django.db.models import F, Q, QuerySet
from django.http import HttpRequest

from inventory.access import LARGEST_ID
from inventory.api.params import CURSOR_MAX, PAGE_SIZE, day, instant
from inventory.api.problems import QueryError


@dataclass(frozen=True)
class Key:
    """One column of an ordering. kind: int, str, day or instant, as it stands in a cursor."""

    column: str
    kind: str
    descending: bool = False
    nullable: bool = False

    def turned(self) -> Key:
        return Key(self.column, self.kind, not self.descending, self.nullable)


Ordering = Sequence[Key]
ID = Key("id", "int")


def orderings(**ascending: Key) -> dict[str, Ordering]:
    """Both directions of each, with the id to settle ties."""
    found: dict[str, Ordering] = {}
    for name, key in ascending.items():
        keys = [key] if key.column == "id" else [key, ID]
        found[name] = keys
        found[f"-{name}"] = [k.turned() for k in keys]
    return found


Fetch = Callable[[Sequence[Key], "Sequence[Any] | None", bool, int], Sequence[Sequence[Any]]]


def paged(
    request: HttpRequest,
    *,
    keys: Ordering,
    given: Mapping[str, Any],
    fetch: Fetch,
    shape: Callable[[Sequence[Any]], Any],
) -> dict[str, Any]:
    """{next, previous, results}, with `shape` applied to the part of a row behind its keys.

    fetch(walk, place, nulls_last, limit) gives rows, keys first, that come after `place` in the order `walk`.
    """
    size = given.get("page_size", PAGE_SIZE)
    backwards, place = _cursor_read(given.get("cursor"), keys)
    walk = [key.turned() for key in keys] if backwards else keys
    found = list(fetch(walk, place, not backwards, size + 1))
    more = len(found) > size
    del found[size:]
    if backwards:
        found.reverse()
    ahead, behind = (True, more) if backwards else (more, place is not None)
    width = len(keys)
    return {
        "next": _link(request, False, found[-1][:width]) if ahead and found else None,
        "previous": _link(request, True, found[0][:width]) if behind and found else None,
        "results": [shape(row[width:]) for row in found],
    }


def page(
    request: HttpRequest,
    rows: QuerySet[Any, Any],
    *,
    keys: Ordering,
    columns: Sequence[str],
    given: Mapping[str, Any],
    shape: Callable[[Sequence[Any]], Any],
) -> dict[str, Any]:
    """As `paged`, of a query set and its `columns`."""
    wanted = [*(key.column for key in keys), *columns]

    def fetch(walk: Sequence[Key], place: Sequence[Any] | None, nulls_last: bool, limit: int) -> Any:
        after = rows if place is None else rows.filter(_beyond(walk, place, nulls_last=nulls_last))
        order = [_order(key, nulls_last=nulls_last) for key in walk]
        return after.order_by(*order).values_list(*wanted)[:limit]

    return paged(request, keys=keys, given=given, fetch=fetch, shape=shape)


def _order(key: Key, *, nulls_last: bool) -> Any:
    if not key.nullable:
        return f"-{key.column}" if key.descending else key.column
    # Rows without a value come last on both databases, and first when the walk goes back.
    nulls: Any = {"nulls_last": True} if nulls_last else {"nulls_first": True}
    column = F(key.column)
    return column.desc(**nulls) if key.descending else column.asc(**nulls)


def _beyond(keys: Ordering, place: Sequence[Any], *, nulls_last: bool) -> Q:
    """Rows that come after `place`: further in the first key, or equal there and further in the next."""
    found, equal = Q(), Q()
    for key, value in zip(keys, place, strict=True):
        further = _further(key, value, nulls_last=nulls_last)
        if further is not None:
            found |= equal & further
        equal &= Q(**{f"{key.column}__isnull": True}) if value is None else Q(**{key.column: value})
    return found


def _further(key: Key, value: Any, *, nulls_last: bool) -> Q | None:
    if value is None:
        return None if nulls_last else Q(**{f"{key.column}__isnull": False})
    beyond = Q(**{f"{key.column}__{'lt' if key.descending else 'gt'}": value})
    return beyond | Q(**{f"{key.column}__isnull": True}) if key.nullable and nulls_last else beyond


def _link(request: HttpRequest, backwards: bool, place: Sequence[Any]) -> str:
    """The address of the page after or before a row."""
    packed = base64.urlsafe_b64encode(orjson.dumps([backwards, *place])).decode().rstrip("=")
    query = request.GET.copy()
    query["cursor"] = packed
    return request.build_absolute_uri(f"{request.path}?{query.urlencode()}")


def _cursor_read(text: str | None, keys: Ordering) -> tuple[bool, list[Any] | None]:
    """(backwards, values of the keys) from a cursor. Raises QueryError for one that was not made here."""
    if text is None:
        return False, None
    try:
        if len(text) > CURSOR_MAX:
            raise ValueError
        packed = orjson.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
        if not isinstance(packed, list) or len(packed) != len(keys) + 1 or not isinstance(packed[0], bool):
            raise ValueError
        return packed[0], [_value(key, value) for key, value in zip(keys, packed[1:], strict=True)]
    except (ValueError, TypeError, binascii.Error) as error:
        raise QueryError(
            "cursor",
            "bad-cursor",
            "This cursor does not fit here.",
            "Follow `next` and `previous` as they were given, with the same ordering.",
        ) from error


def _value(key: Key, value: Any) -> Any:
    if value is None and key.nullable:
        return None
    if key.kind == "int" and type(value) is int and abs(value) <= LARGEST_ID:
        return value
    if not isinstance(value, str) or len(value) > 200 or "\x00" in value:
        raise ValueError
    readers: dict[str, Callable[[str], date | datetime | str]] = {"day": day, "instant": instant, "str": str}
    return readers[key.kind](value)
