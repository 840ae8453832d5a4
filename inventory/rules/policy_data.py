"""Retest policies as data: their types, their JSON form, and the policies that come with the package.

The TOML file and the copy that a laboratory keeps in its database go through the same reader, so both get
the same checks and the same clear errors.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Literal, cast, get_args

from inventory.rules.errors import InputError
from inventory.rules.months import add_months
from inventory.rules.peroxide import PeroxideClass

Origin = Literal["purchased", "made-here", "recovered", "blend"]
CountsFrom = Literal["opened", "received", "made", "test"]
IntervalUnit = Literal["months", "days", "hours"]

POLICY_FILE = Path(__file__).parent.parent / "data" / "retest_policies.toml"
DEFAULT_POLICY_KEY = "cautious-default"
INTERVAL_MAX = {"months": 120, "days": 3660, "hours": 87_840}
HOURS_PER_DAY = 24


class PolicyError(InputError):
    """A retest policy that cannot be used as it stands; `field` is the path, as rules[3].months."""


@dataclass(frozen=True)
class Interval:
    """A count of calendar months, days or hours. Zero means: on the same day, so test before use."""

    count: int
    unit: IntervalUnit

    def after(self, day: date) -> date:
        """The date the interval ends; hours are rounded up to whole days, the calendar's end is kept."""
        if self.unit == "months":
            return add_months(day, self.count)
        days = self.count if self.unit == "days" else -(-self.count // HOURS_PER_DAY)
        return day + timedelta(days=days) if (date.max - day).days >= days else date.max

    def __str__(self) -> str:
        return f"{self.count} {self.unit[:-1] if self.count == 1 else self.unit}"


@dataclass(frozen=True)
class Rule:
    """One row of a policy. opened, inhibited or origins None: the row holds whatever they are."""

    peroxide_class: PeroxideClass
    opened: bool | None
    inhibited: bool | None
    origins: frozenset[Origin] | None
    interval: Interval
    counts_from: CountsFrom
    source: str

    def to_json(self) -> dict[str, Any]:
        """A dict of text, numbers, booleans and lists; None values are left out."""
        row: dict[str, Any] = {"class": self.peroxide_class, "counts_from": self.counts_from}
        row[self.interval.unit] = self.interval.count
        row |= {key: value for key in ("opened", "inhibited") if (value := getattr(self, key)) is not None}
        if self.origins is not None:
            row["origins"] = sorted(self.origins)
        return row | {"source": self.source}

    @classmethod
    def from_json(cls, data: object, path: str = "rule") -> Rule:
        """The rule from its dict. Raises PolicyError naming the value below `path`."""
        known = {"class", "opened", "inhibited", "origins", "counts_from", "source", *get_args(IntervalUnit)}
        row = _table(data, path, known)
        return cls(
            peroxide_class=cast(
                PeroxideClass,
                _choice(row, "class", path, tuple(c for c in get_args(PeroxideClass) if len(c) == 1)),
            ),
            opened=_flag(row, "opened", path),
            inhibited=_flag(row, "inhibited", path),
            origins=_origins(row, path),
            interval=_interval(row, path),
            counts_from=cast(CountsFrom, _choice(row, "counts_from", path, get_args(CountsFrom))),
            source=_text(row, "source", path),
        )


@dataclass(frozen=True)
class Policy:
    """Intervals and levels by which containers fall due.

    action_level_mg_per_l: a reading passes only below it. stop_level_mg_per_l: from here on the container is
    left in place. Both in mg/L as H2O2, as strips read.
    """

    key: str
    name: str
    source: str
    action_level_mg_per_l: Decimal
    rules: tuple[Rule, ...]
    stop_level_mg_per_l: Decimal = Decimal(100)
    level_source: str = ""

    def to_json(self) -> dict[str, Any]:
        """A dict that json.dumps takes; `from_json` gives the same policy back."""
        return {
            "key": self.key,
            "name": self.name,
            "source": self.source,
            "action_level_mg_per_l": str(self.action_level_mg_per_l),
            "stop_level_mg_per_l": str(self.stop_level_mg_per_l),
            "level_source": self.level_source,
            "rules": [rule.to_json() for rule in self.rules],
        }

    @classmethod
    def from_json(cls, data: object, path: str = "policy") -> Policy:
        """The policy from its dict. Raises PolicyError naming the value below `path`."""
        known = {
            "key",
            "name",
            "source",
            "level_source",
            "rules",
            "action_level_mg_per_l",
            "stop_level_mg_per_l",
        }
        row = _table(data, path, known)
        rules = row.get("rules")
        if not isinstance(rules, list) or not rules:
            raise _wrong(path, "rules", "a policy needs at least one rule", "List the rules.")
        policy = cls(
            key=_text(row, "key", path),
            name=_text(row, "name", path),
            source=_text(row, "source", path),
            action_level_mg_per_l=_level(row, "action_level_mg_per_l", path),
            rules=tuple(Rule.from_json(rule, f"{path}.rules[{i}]") for i, rule in enumerate(rules)),
            stop_level_mg_per_l=_level(row, "stop_level_mg_per_l", path),
            level_source=_text(row, "level_source", path),
        )
        if policy.stop_level_mg_per_l < policy.action_level_mg_per_l:
            raise _wrong(
                path, "stop_level_mg_per_l", "it is below the action level", "Give the higher level."
            )
        return policy


def load_policies(path: Path = POLICY_FILE) -> dict[str, Policy]:
    """The policies of a TOML file by key, in the file's order. Raises PolicyError for anything unusable."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PolicyError(
            path.name, "policy-unreadable", f"This is not TOML: {error}.", "Mend the file."
        ) from error
    rows = _table(document, path.name, {"policies"}).get("policies")
    if not isinstance(rows, list) or not rows:
        raise _wrong(
            path.name, "policies", "the file holds no policy", "Write at least one [[policies]] table."
        )
    policies: dict[str, Policy] = {}
    for i, row in enumerate(rows):
        policy = Policy.from_json(row, f"policies[{i}]")
        if policy.key in policies:
            raise _wrong(f"policies[{i}]", "key", f'"{policy.key}" is there twice', "Give each its own key.")
        policies[policy.key] = policy
    return policies


def _wrong(path: str, key: str, detail: str, remedy: str) -> PolicyError:
    name = f"{path}.{key}" if key else path
    return PolicyError(name, "policy-invalid", f"The retest policy cannot be used: {detail}.", remedy)


def _table(data: object, path: str, known: set[str]) -> Mapping[str, object]:
    if not isinstance(data, Mapping):
        raise _wrong(path, "", "a table of names and values is needed", "Write name = value pairs.")
    if unknown := sorted(str(key) for key in data if key not in known):
        # A misspelt "inhibited" must not turn into a row for every container.
        raise _wrong(path, unknown[0], "this name is not known", f"Use: {', '.join(sorted(known))}.")
    return data


def _text(row: Mapping[str, object], key: str, path: str) -> str:
    value = row.get(key)
    if not isinstance(value, str) or not value.strip():
        raise _wrong(path, key, "some text is needed", f"Write {key}.")
    return value


def _choice(row: Mapping[str, object], key: str, path: str, allowed: tuple[str, ...]) -> str:
    value = row.get(key)
    if not isinstance(value, str) or value not in allowed:
        raise _wrong(path, key, f"{value!r} is not one of the choices", f"Use one of: {', '.join(allowed)}.")
    return value


def _flag(row: Mapping[str, object], key: str, path: str) -> bool | None:
    value = row.get(key)
    if value is not None and not isinstance(value, bool):
        raise _wrong(path, key, f"{value!r} is neither true nor false", "Use true or false, or leave it out.")
    return value


def _origins(row: Mapping[str, object], path: str) -> frozenset[Origin] | None:
    value = row.get("origins")
    if value is None:
        return None
    allowed = get_args(Origin)
    if not isinstance(value, list) or not value or any(item not in allowed for item in value):
        raise _wrong(
            path, "origins", f"{value!r} is not a list of origins", f"Use some of: {', '.join(allowed)}."
        )
    return frozenset(cast(list[Origin], value))


def _interval(row: Mapping[str, object], path: str) -> Interval:
    units = [unit for unit in get_args(IntervalUnit) if row.get(unit) is not None]
    if len(units) != 1:
        raise _wrong(path, "months", "exactly one of months, days, hours is needed", "Give one interval.")
    count = row[units[0]]
    if isinstance(count, bool) or not isinstance(count, int) or not 0 <= count <= INTERVAL_MAX[units[0]]:
        limit = INTERVAL_MAX[units[0]]
        raise _wrong(
            path, units[0], f"{count!r} is not a usable count", f"Give a whole number from 0 to {limit}."
        )
    return Interval(count, cast(IntervalUnit, units[0]))


def _level(row: Mapping[str, object], key: str, path: str) -> Decimal:
    value = row.get(key)
    try:
        # A binary float is refused: its digits are not those that were written.
        usable = isinstance(value, (str, int, Decimal)) and not isinstance(value, bool)
        level = Decimal(cast("str | int | Decimal", value)) if usable else Decimal("NaN")
    except InvalidOperation:
        level = Decimal("NaN")
    if not level.is_finite() or level <= 0:
        raise _wrong(path, key, f"{value!r} is not a level above 0 mg/L", 'Write it as text, as in "25".')
    return level
