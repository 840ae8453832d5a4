"""Query parameters: declared once, read strictly, described to the schema from the same place."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from django.http import QueryDict

from inventory.access import LARGEST_ID
from inventory.api.problems import QueryError

YEARS = (1900, 2199)
TEXT_MAX = 120
PAGE_SIZE = 50
PAGE_SIZE_MAX = 200
CURSOR_MAX = 1000


@dataclass(frozen=True)
class Param:
    """One query parameter. `read` turns its text into a value or raises ValueError saying what is wanted."""

    name: str
    read: Callable[[str], Any]
    schema: Mapping[str, Any]
    words: str = ""
    many: bool = False
    extra: Mapping[str, Any] = field(default_factory=dict)


def day(text: str) -> date:
    """An ISO date between 1900 and 2199."""
    if len(text) == 10:
        found = date.fromisoformat(text)
        if YEARS[0] <= found.year <= YEARS[1]:
            return found
    raise ValueError


def instant(text: str) -> datetime:
    """An RFC 3339 moment with its zone, in UTC. A + that came through as a blank is read as one."""
    found = datetime.fromisoformat(text.replace(" ", "+") if text.count(" ") == 1 and "T" in text else text)
    if found.tzinfo is None or not YEARS[0] <= found.year <= YEARS[1] or len(text) < 16:
        raise ValueError
    return found.astimezone(UTC)


def _number(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 19) or int(text) > LARGEST_ID:
        raise ValueError
    return int(text)


def _flag(text: str) -> bool:
    return {"true": True, "false": False}[text]


def _words(text: str) -> str:
    if len(text) > TEXT_MAX:
        raise ValueError
    return text


def on(name: str, words: str = "") -> Param:
    return Param(name, day, {"type": "string", "format": "date"}, words)


def at(name: str, words: str = "") -> Param:
    return Param(name, instant, {"type": "string", "format": "date-time"}, words)


def number(name: str, words: str = "", *, least: int = 0, most: int = LARGEST_ID) -> Param:
    def read(text: str) -> int:
        value = _number(text)
        if not least <= value <= most:
            raise ValueError
        return value

    return Param(name, read, {"type": "integer", "minimum": least, "maximum": most}, words)


def ref(name: str, words: str = "") -> Param:
    """The id of another record, as text."""
    return Param(name, _number, {"type": "string", "pattern": "^[0-9]{1,18}$"}, words)


def flag(name: str, words: str = "") -> Param:
    return Param(name, _flag, {"type": "boolean"}, words)


def text(name: str, words: str = "") -> Param:
    return Param(name, _words, {"type": "string", "maxLength": TEXT_MAX}, words)


def uuid(name: str, words: str = "") -> Param:
    return Param(name, UUID, {"type": "string", "format": "uuid"}, words)


def choice(name: str, choices: Sequence[str], words: str = "") -> Param:
    def read(text: str) -> str:
        if text not in choices:
            raise ValueError
        return text

    return Param(name, read, {"type": "string", "enum": list(choices)}, words)


def choices(name: str, allowed: Sequence[str], words: str = "") -> Param:
    """Several words with commas between them."""

    def read(text: str) -> list[str]:
        parts = text.split(",")
        if len(set(parts)) != len(parts) or not set(parts) <= set(allowed):
            raise ValueError
        return parts

    items = {"type": "array", "items": {"type": "string", "enum": list(allowed)}, "uniqueItems": True}
    return Param(name, read, {**items, "minItems": 1}, words, many=True)


def paging(orderings: Iterable[str], *, most: int = PAGE_SIZE_MAX) -> tuple[Param, ...]:
    """page_size (up to `most`), cursor and ordering."""
    return (
        number("page_size", f"At most {most}.", least=1, most=most),
        Param(
            "cursor",
            lambda value: _words(value) if len(value) <= TEXT_MAX else value,
            {"type": "string", "maxLength": CURSOR_MAX},
            "From `next` or `previous` of an earlier answer.",
        ),
        choice("ordering", list(orderings), "A minus sign turns it round."),
    )


def read_params(query: QueryDict, declared: Mapping[str, Param]) -> dict[str, Any]:
    """The parameters given, by name. Raises QueryError naming the first that is unknown or unusable."""
    found: dict[str, Any] = {}
    for name, values in query.lists():
        param = declared.get(name)
        if param is None:
            known = ", ".join(declared) or "none"
            raise QueryError(
                name[:80].replace("\x00", "?"),
                "unknown-parameter",
                "This address does not take that parameter.",
                f"Known here: {known}.",
            )
        if len(values) > 1:
            raise QueryError(name, "given-twice", "The parameter is given more than once.", "Give it once.")
        found[name] = _read_one(param, values[0])
    return found


def _read_one(param: Param, value: str) -> Any:
    try:
        if "\x00" in value:
            raise ValueError
        return param.read(value)
    except (ValueError, KeyError, OverflowError) as error:
        raise QueryError(
            param.name, "not-usable", "The value cannot be used.", f"Wanted: {_wanted(param.schema)}."
        ) from error


def _wanted(schema: Mapping[str, Any]) -> str:
    if "enum" in schema:
        return "one of " + ", ".join(schema["enum"])
    if "items" in schema:
        return "words with commas between them out of " + ", ".join(schema["items"]["enum"])
    parts = [str(schema.get("format") or schema["type"])]
    parts += [f"{name} {schema[name]}" for name in ("minimum", "maximum", "maxLength") if name in schema]
    return ", ".join(parts)
