"""Reading policy bodies strictly: every fault is a PolicyError that names the value by its path."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import cast

from inventory.rules.errors import InputError
from inventory.rules.policy_words import policy_words

LEVEL_MAX_MG_PER_L = Decimal(1_000_000)
TEXT_MAX = 600


class PolicyError(InputError):
    """A retest policy that cannot be used as it stands; `field` is the path, as policy.rules[3].months."""


def wrong(path: str, key: str, detail: str, remedy: str) -> PolicyError:
    name = f"{path}.{key}" if key else path
    return PolicyError(name, "policy-invalid", f"The retest policy cannot be used: {detail}.", remedy)


def table(data: object, path: str, known: set[str]) -> Mapping[str, object]:
    """A table with no name in it that is not known."""
    if not isinstance(data, Mapping):
        raise wrong(path, "", "a table of names and values is needed", "Write name = value pairs.")
    if unknown := sorted(str(key) for key in data if key not in known):
        # A misspelt "inhibited" must not turn into a row for every container.
        raise wrong(path, unknown[0], "this name is not known", f"Use: {', '.join(sorted(known))}.")
    return data


def rows(row: Mapping[str, object], key: str, path: str, *, least: int, most: int = 200) -> list[object]:
    """A list of tables, or none when it is left out and may be empty."""
    value = row.get(key)
    if value is None and least == 0:
        return []
    if not isinstance(value, list) or not least <= len(value) <= most:
        raise wrong(path, key, f"a list of {least} to {most} rows is needed", f"List the {key}.")
    return value


def text(row: Mapping[str, object], key: str, path: str) -> str:
    """Some text; what stands in a shipped policy is a phrase, which pages say in their language."""
    value = row.get(key)
    if not isinstance(value, str) or not value.strip():
        raise wrong(path, key, "some text is needed", f"Write {key}.")
    if len(value) > TEXT_MAX or "\x00" in value:
        raise wrong(path, key, "this text cannot be kept", f"Use up to {TEXT_MAX} plain characters.")
    return policy_words(value)


def choice(
    row: Mapping[str, object], key: str, path: str, allowed: tuple[str, ...], default: str = ""
) -> str:
    value = row.get(key)
    if value is None and default:
        return default
    if not isinstance(value, str) or value not in allowed:
        raise wrong(path, key, f"{value!r} is not one of the choices", f"Use one of: {', '.join(allowed)}.")
    return value


def choices(
    row: Mapping[str, object], key: str, path: str, allowed: tuple[str, ...]
) -> frozenset[str] | None:
    """A list of some of the choices; None when it is left out."""
    value = row.get(key)
    if value is None:
        return None
    fits = isinstance(value, list) and value and all(isinstance(v, str) and v in allowed for v in value)
    if not fits:
        raise wrong(
            path, key, f"{value!r} is not a list of the choices", f"Use some of: {', '.join(allowed)}."
        )
    return frozenset(cast(list[str], value))


def flag(row: Mapping[str, object], key: str, path: str) -> bool | None:
    value = row.get(key)
    if value is not None and not isinstance(value, bool):
        raise wrong(path, key, f"{value!r} is neither true nor false", "Use true or false, or leave it out.")
    return value


def marked(row: Mapping[str, object], key: str, path: str) -> bool:
    """A condition that is either given as true or left out."""
    value = row.get(key)
    if value is not None and value is not True:
        raise wrong(path, key, f"{value!r} is no condition", "Use true, or leave it out.")
    return value is True


def count(row: Mapping[str, object], key: str, path: str, most: int) -> int | None:
    """A whole number from 0 to `most`; None when it is left out."""
    value = row.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise wrong(path, key, f"{value!r} is not a usable count", f"Give a whole number from 0 to {most}.")
    return value


def amount(row: Mapping[str, object], key: str, path: str, most: Decimal, unit: str) -> Decimal | None:
    """A number above 0 and up to `most`, kept digit by digit; None when it is left out."""
    value = row.get(key)
    if value is None:
        return None
    try:
        # A binary float is refused: its digits are not those that were written.
        usable = isinstance(value, (str, int, Decimal)) and not isinstance(value, bool)
        number = Decimal(cast("str | int | Decimal", value)) if usable else Decimal("NaN")
    except InvalidOperation:
        number = Decimal("NaN")
    exponent = number.as_tuple().exponent
    if not number.is_finite() or not 0 < number <= most or not isinstance(exponent, int) or exponent < -6:
        raise wrong(path, key, f"{value!r} is not a figure above 0 {unit}", 'Write it as text, as in "25".')
    return number
