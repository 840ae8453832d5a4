"""Phrases among values that go into a database, kept so that any language can say them again.

A database keeps a `Phrase` as English text. `kept` gathers, text by text, the template and its parts as plain
values; `said_again` puts the phrases back where those texts stand. A text whose parts no longer make it is
left as it is, so nothing is ever shown that was not written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from inventory.rules.phrases import Figure, NamedDay, Phrase

__all__ = ["KEPT", "kept", "said_again"]

#: under what name a record keeps them, if it keeps them among its other values
KEPT = "said"


def kept(values: Any) -> dict[str, Any]:
    """Text → template and parts of each phrase in some values, as plain JSON."""
    return {str(phrase): _plain_phrase(phrase) for phrase in _phrases(values)}


def _phrases(values: Any) -> Iterator[Phrase]:
    if isinstance(values, Phrase):
        yield values
    elif isinstance(values, Mapping):
        for inner in values.values():
            yield from _phrases(inner)
    elif isinstance(values, list | tuple):
        for inner in values:
            yield from _phrases(inner)


def _plain_phrase(phrase: Phrase) -> dict[str, Any]:
    return {"template": phrase.template, "parts": {name: _plain(part) for name, part in phrase.parts.items()}}


def _plain(part: Any) -> Any:
    """A part with its kind where JSON would lose it."""
    if isinstance(part, Phrase):
        return _plain_phrase(part)
    if isinstance(part, Decimal):
        return {"decimal": str(part)}
    if isinstance(part, Figure):
        return {"figure": float(part), "text": part.text}
    if isinstance(part, NamedDay):
        return {"day": part.isoformat(), "text": part.text}
    if isinstance(part, date):
        return {"day": part.isoformat()}
    return part if isinstance(part, str | int | float) else str(part)


def said_again(values: Any, held: Mapping[str, Any]) -> Any:
    """The values with phrases where their texts stand; held: what `kept` made of them."""
    if isinstance(values, str):
        return _again(values, held[values]) if values in held else values
    if isinstance(values, Mapping):
        return {name: said_again(inner, held) for name, inner in values.items()}
    if isinstance(values, list | tuple):
        return [said_again(inner, held) for inner in values]
    return values


def _again(text: str, held: Mapping[str, Any]) -> str:
    try:
        phrase = _phrase(held)
    except (KeyError, IndexError, ValueError, ArithmeticError):
        return text
    return phrase if phrase == text else text


def _phrase(held: Mapping[str, Any]) -> Phrase:
    return Phrase(held["template"], **{name: _part(part) for name, part in held["parts"].items()})


def _part(part: Any) -> Any:
    if not isinstance(part, Mapping):
        return part
    if "template" in part:
        return _phrase(part)
    if "decimal" in part:
        return Decimal(part["decimal"])
    if "figure" in part:
        return Figure(part["figure"], part["text"])
    day = date.fromisoformat(part["day"])
    return NamedDay.of(day, part["text"]) if "text" in part else day
