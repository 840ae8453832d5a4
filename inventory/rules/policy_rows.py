"""The rows of a retest policy: intervals, levels, handling rules and the terms for distilling.

`policy_data` says what each field means. Every row reads itself from JSON and writes itself back.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Literal, cast, get_args

from inventory.rules import policy_reading as read
from inventory.rules.levels import LEVELS, USES, Level, Use
from inventory.rules.months import add_months
from inventory.rules.peroxide import PeroxideClass
from inventory.rules.phrases import Phrase
from inventory.rules.policy_reading import LEVEL_MAX_MG_PER_L
from inventory.rules.signs import SIGNS

Origin = Literal["purchased", "made-here", "recovered", "blend"]
CountsFrom = Literal["opened", "received", "made", "test"]
IntervalUnit = Literal["months", "days", "hours"]
EndsIn = Literal["test", "dispose"]
Atmosphere = Literal["inert", "air", "unknown"]
Closure = Literal["plastic-screw", "metal-screw", "glass-stopper", "septum", "other", "unknown"]
Edge = Literal["from", "above", "detected"]
LevelUnit = Literal["mg/L", "mass-ppm"]

CLASSES: tuple[PeroxideClass, ...] = ("A", "B", "C", "D")
CLOSURES: tuple[str, ...] = tuple(name for name in get_args(Closure) if name != "unknown")
INTERVAL_MAX = {"months": 120, "days": 3660, "hours": 87_840}
EXPIRED_MONTHS_MAX = 600
TEST_AGE_DAYS_MAX = 30
HOURS_PER_DAY = 24


_SPANS = {
    "months": (Phrase("{count} month"), Phrase("{count} months")),
    "days": (Phrase("{count} day"), Phrase("{count} days")),
    "hours": (Phrase("{count} hour"), Phrase("{count} hours")),
}


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

    @property
    def words(self) -> Phrase:
        """For people, as "3 months"."""
        one, more = _SPANS[self.unit]
        return Phrase(one if self.count == 1 else more, count=self.count)

    def __str__(self) -> str:
        return str(self.words)


@dataclass(frozen=True)
class Rule:
    """An interval. opened, inhibited, origins or atmosphere None: the row holds whatever they are.

    ends_in: what the end of the interval asks for. "dispose" is not put off by any test.
    """

    peroxide_class: PeroxideClass
    opened: bool | None
    inhibited: bool | None
    origins: frozenset[Origin] | None
    interval: Interval
    counts_from: CountsFrom
    source: str
    atmosphere: Literal["inert", "air"] | None = None
    ends_in: EndsIn = "test"

    def to_json(self) -> dict[str, Any]:
        """A dict of text, numbers, booleans and lists; what is not stated is left out."""
        row: dict[str, Any] = {"class": self.peroxide_class, "counts_from": self.counts_from}
        row[self.interval.unit] = self.interval.count
        row |= _given(opened=self.opened, inhibited=self.inhibited, atmosphere=self.atmosphere)
        row |= _listed(origins=self.origins)
        row |= {} if self.ends_in == "test" else {"ends_in": self.ends_in}
        return row | {"source": self.source}

    @classmethod
    def from_json(cls, data: object, path: str = "rule") -> Rule:
        """The rule from its dict. Raises PolicyError naming the value below `path`."""
        known = {"class", "opened", "inhibited", "origins", "atmosphere", "counts_from", "ends_in", "source"}
        row = read.table(data, path, known | set(get_args(IntervalUnit)))
        inert_or_air = None
        if row.get("atmosphere") is not None:
            inert_or_air = read.choice(row, "atmosphere", path, ("inert", "air"))
        return cls(
            peroxide_class=cast(PeroxideClass, read.choice(row, "class", path, CLASSES)),
            opened=read.flag(row, "opened", path),
            inhibited=read.flag(row, "inhibited", path),
            origins=cast("frozenset[Origin] | None", read.choices(row, "origins", path, get_args(Origin))),
            interval=_interval(row, path),
            counts_from=cast(CountsFrom, read.choice(row, "counts_from", path, get_args(CountsFrom))),
            source=read.text(row, "source", path),
            atmosphere=cast("Literal['inert', 'air'] | None", inert_or_air),
            ends_in=cast(EndsIn, read.choice(row, "ends_in", path, get_args(EndsIn), "test")),
        )


@dataclass(frozen=True)
class LevelRow:
    """What a reading comes to. edge "from": at the amount or above; "above": above it; "detected": at all."""

    edge: Edge
    amount: Decimal | None
    unit: LevelUnit
    then: Level
    uses: frozenset[Use] | None
    source: str

    def applies_to(self, use: Use) -> bool:
        return self.uses is None or use in self.uses

    def to_json(self) -> dict[str, Any]:
        """A dict of text, booleans and lists."""
        row: dict[str, Any] = {self.edge: True if self.amount is None else str(self.amount)}
        row |= {} if self.unit == "mg/L" else {"unit": self.unit}
        return row | {"then": self.then} | _listed(uses=self.uses) | {"source": self.source}

    @classmethod
    def from_json(cls, data: object, path: str = "level") -> LevelRow:
        """The row from its dict. Raises PolicyError naming the value below `path`."""
        row = read.table(data, path, {*get_args(Edge), "unit", "then", "uses", "source"})
        edges = [edge for edge in get_args(Edge) if row.get(edge) is not None]
        if len(edges) != 1:
            raise read.wrong(path, "from", "exactly one of from, above, detected is needed", "Give one.")
        edge = cast(Edge, edges[0])
        number = None
        if edge != "detected":
            number = read.amount(row, edge, path, LEVEL_MAX_MG_PER_L, str(row.get("unit") or "mg/L"))
        elif not read.marked(row, edge, path) or row.get("unit") is not None:
            raise read.wrong(path, "unit", "what is detected at all has no unit", "Leave the unit out.")
        return cls(
            edge=edge,
            amount=number,
            unit=cast(LevelUnit, read.choice(row, "unit", path, get_args(LevelUnit), "mg/L")),
            then=cast(Level, read.choice(row, "then", path, LEVELS[1:])),
            uses=_uses(row, path),
            source=read.text(row, "source", path),
        )


@dataclass(frozen=True)
class HandlingRow:
    """What a container comes to by what is seen and known of it. All given conditions must hold.

    classes None: every former. An unknown fact matches each condition on it, because that is the worse case.
    """

    then: Level
    source: str
    classes: frozenset[PeroxideClass] | None = None
    opened: bool | None = None
    inhibited: bool | None = None
    signs: frozenset[str] | None = None
    closures: frozenset[str] | None = None
    age_unknown: bool = False
    origin_unknown: bool = False
    expired_more_than_months: int | None = None
    uses: frozenset[Use] | None = None

    def to_json(self) -> dict[str, Any]:
        """A dict of text, numbers, booleans and lists; what is not asked for is left out."""
        row = _listed(**{"class": self.classes, "signs": self.signs, "closures": self.closures})
        row |= _given(
            opened=self.opened,
            inhibited=self.inhibited,
            age_unknown=self.age_unknown or None,
            origin_unknown=self.origin_unknown or None,
            expired_more_than_months=self.expired_more_than_months,
        )
        return row | _listed(uses=self.uses) | {"then": self.then, "source": self.source}

    @classmethod
    def from_json(cls, data: object, path: str = "handling") -> HandlingRow:
        """The row from its dict. Raises PolicyError naming the value below `path`."""
        conditions = {"class", "opened", "inhibited", "signs", "closures", "age_unknown", "origin_unknown"}
        conditions |= {"expired_more_than_months"}
        row = read.table(data, path, conditions | {"uses", "then", "source"})
        if all(row.get(name) is None for name in conditions):
            raise read.wrong(
                path, "", "a handling row needs a condition", f"Give one of: {_names(conditions)}."
            )
        classes = read.choices(row, "class", path, (*CLASSES, "none"))
        return cls(
            then=cast(Level, read.choice(row, "then", path, LEVELS[1:])),
            source=read.text(row, "source", path),
            classes=cast("frozenset[PeroxideClass] | None", classes),
            opened=read.flag(row, "opened", path),
            inhibited=read.flag(row, "inhibited", path),
            signs=read.choices(row, "signs", path, SIGNS),
            closures=read.choices(row, "closures", path, CLOSURES),
            age_unknown=read.marked(row, "age_unknown", path),
            origin_unknown=read.marked(row, "origin_unknown", path),
            expired_more_than_months=read.count(row, "expired_more_than_months", path, EXPIRED_MONTHS_MAX),
            uses=_uses(row, path),
        )


@dataclass(frozen=True)
class Distilling:
    """The heel to leave in the still, and how old a passed test may be. None: not stated."""

    heel_percent: Decimal | None = None
    heel_source: str = ""
    test_age_max_days: int | None = None
    test_age_source: str = ""

    def to_json(self) -> dict[str, Any]:
        row: dict[str, Any] = {}
        if self.heel_percent is not None:
            row |= {"heel_percent": str(self.heel_percent), "heel_source": self.heel_source}
        if self.test_age_max_days is not None:
            row |= {"test_age_max_days": self.test_age_max_days, "test_age_source": self.test_age_source}
        return row

    @classmethod
    def from_json(cls, data: object, path: str = "distilling") -> Distilling:
        """The terms from their dict; each figure comes with its source. Raises PolicyError."""
        known = {"heel_percent", "heel_source", "test_age_max_days", "test_age_source"}
        row = read.table({} if data is None else data, path, known)
        heel = read.amount(row, "heel_percent", path, Decimal(100), "%")
        age = read.count(row, "test_age_max_days", path, TEST_AGE_DAYS_MAX)
        sources = {"heel_source": heel is not None, "test_age_source": age is not None}
        for key, wanted in sources.items():
            if not wanted and row.get(key) is not None:
                raise read.wrong(path, key, "it is the source of nothing", "Give its figure too.")
        heel_source, test_age_source = (read.text(row, k, path) if w else "" for k, w in sources.items())
        return cls(heel, heel_source, age, test_age_source)


def _given(**values: object) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _listed(**values: frozenset[Any] | None) -> dict[str, Any]:
    return {key: sorted(value) for key, value in values.items() if value is not None}


def _names(names: set[str]) -> str:
    return ", ".join(sorted(names))


def _uses(row: Any, path: str) -> frozenset[Use] | None:
    return cast("frozenset[Use] | None", read.choices(row, "uses", path, USES))


def _interval(row: Any, path: str) -> Interval:
    units = [unit for unit in get_args(IntervalUnit) if row.get(unit) is not None]
    if len(units) != 1:
        raise read.wrong(path, "months", "exactly one of months, days, hours is needed", "Give one interval.")
    count = read.count(row, units[0], path, INTERVAL_MAX[units[0]])
    return Interval(cast(int, count), cast(IntervalUnit, units[0]))
