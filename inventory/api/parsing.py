"""Bodies read strictly: bounded, UTF-8, exact decimals, nothing the database could not keep."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from rest_framework.parsers import BaseParser, MultiPartParser

from inventory.api.problems import TooLarge
from inventory.rules.errors import InputError

SMALL_BODY_BYTES = 256 * 1024
FILE_BODY_BYTES = 32 * 1024 * 1024
DIGITS_MAX = 40


def _bad_json(detail: str) -> InputError:
    return InputError("", "bad-json", detail, "Send one JSON object in UTF-8.")


def _decimal(text: str) -> Decimal:
    if len(text) > DIGITS_MAX:
        raise _bad_json("A number has too many digits.")
    try:
        return Decimal(text)
    except InvalidOperation as error:
        raise _bad_json("A number cannot be read.") from error


def _whole(text: str) -> int:
    if len(text) > DIGITS_MAX:
        raise _bad_json("A number has too many digits.")
    return int(text)


def _no_constant(text: str) -> Any:
    raise _bad_json(f"{text} is not JSON.")


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _bad_json("A name stands twice in one object.")
    return found


_DECODER = json.JSONDecoder(
    parse_float=_decimal, parse_int=_whole, parse_constant=_no_constant, object_pairs_hook=_pairs
)


def refuse_unkeepable(value: Any, path: str = "") -> None:
    """Refuse text with NUL or half a surrogate pair, which no database keeps."""
    if isinstance(value, str):
        if "\x00" in value or any("\ud800" <= c <= "\udfff" for c in value):
            raise InputError(
                path, "bad-character", "The text holds a character that cannot be kept.", "Take it out."
            )
    elif isinstance(value, Mapping):
        for name, inner in value.items():
            refuse_unkeepable(name, path)
            refuse_unkeepable(inner, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            refuse_unkeepable(inner, f"{path}.{index}" if path else str(index))


def loads(raw: bytes) -> Any:
    """JSON without floats, doubled names or unkeepable text. Raises InputError (code bad-json)."""
    try:
        text = raw.decode("utf-8")
        found = _DECODER.decode(text)
    except UnicodeDecodeError as error:
        raise _bad_json("The body is not UTF-8.") from error
    except RecursionError as error:
        raise _bad_json("The body is nested too deeply.") from error
    except json.JSONDecodeError as error:
        raise _bad_json(f"The body is not JSON: {error.msg} at character {error.pos}.") from error
    if "\\u" in text:
        refuse_unkeepable(found)
    return found


class StrictJSONParser(BaseParser):
    """application/json by `loads`."""

    media_type = "application/json"

    def parse(
        self, stream: Any, media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        raw = stream.read()
        if parser_context and "request" in parser_context:
            parser_context["request"].raw_body = raw
        return loads(raw)


class FormParser(MultiPartParser):
    """multipart/form-data, for files."""


def check_length(length: str | None, limit_bytes: int) -> None:
    """Raises TooLarge when a body announces more than its address takes."""
    if length and length.isascii() and length.isdigit() and int(length[:20]) > limit_bytes:
        raise TooLarge(
            "",
            "too-large",
            f"The body is larger than {limit_bytes // 1024} KiB.",
            "Send less at once.",
        )
