"""The interval rows of a policy by class and end, and whether an unknown fact may hide a stricter row.

An unknown inhibitor counts as none and an unknown atmosphere as air, because every published table gives
inhibited or blanketed material the longer time. A policy of a lab's own may say otherwise; then an unknown
fact is judged every way it could be, and the earliest day holds.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import product

from inventory.rules.policy_rows import Interval, Rule

# A month has 28 to 31 days: for comparing intervals of different units.
_LEAST_DAYS = {"months": 28.0, "days": 1.0, "hours": 1 / 24}
_MOST_DAYS = {"months": 31.0, "days": 1.0, "hours": 1 / 24}
Holds = Callable[[Rule], bool]
ORIGINS = ("purchased", "made-here", "recovered", "blend")


class RowIndex:
    """Look-ups into the interval rows of one policy."""

    def __init__(self, rules: Sequence[Rule]) -> None:
        self._by_class: dict[tuple[str, str], list[Rule]] = defaultdict(list)
        for rule in rules:
            self._by_class[rule.peroxide_class, rule.ends_in].append(rule)
        # Rows chosen before, by all that the choice rests on: a club's bottles are much alike.
        self.chosen: dict[tuple[object, ...], list[Rule]] = {}
        self.inhibitor_may_shorten = self._any(_inhibited, _uninhibited)
        self.gas_may_shorten = self._any(_inert, _in_air)

    def of(self, peroxide_class: str, ends_in: str) -> list[Rule]:
        """The rows of a class that end in a test or in disposal."""
        return self._by_class.get((peroxide_class, ends_in), [])

    def _any(self, known: Holds, assumed: Holds) -> bool:
        """Whether some container falls due earlier by the fact than by what is assumed when it is unknown."""
        return any(
            _shortens([r for r in group if known(r)], [r for r in group if assumed(r)])
            for rows in self._by_class.values()
            for group in _alike(rows)
        )


def _inhibited(rule: Rule) -> bool:
    return rule.inhibited is not False


def _uninhibited(rule: Rule) -> bool:
    return rule.inhibited is not True


def _inert(rule: Rule) -> bool:
    return rule.atmosphere != "air"


def _in_air(rule: Rule) -> bool:
    return rule.atmosphere != "inert"


def _alike(rows: Iterable[Rule]) -> Iterator[list[Rule]]:
    """The rows that hold for one container but for inhibitor and atmosphere."""
    held = list(rows)
    starts = {rule.counts_from for rule in held}
    for start, opened, origin in product(starts, (True, False), ORIGINS):
        yield [
            rule
            for rule in held
            if rule.counts_from == start
            and rule.opened in (None, opened)
            and (rule.origins is None or origin in rule.origins)
        ]


def _shortens(known: Sequence[Rule], assumed: Sequence[Rule]) -> bool:
    """Whether a row that holds by the fact alone may end before every row that is assumed."""
    more = [rule for rule in known if rule not in assumed]
    return any(not any(_surely_no_longer(a.interval, rule.interval) for a in assumed) for rule in more)


def _surely_no_longer(one: Interval, other: Interval) -> bool:
    """Whether one interval never ends after the other, whatever day they begin."""
    if one.unit == other.unit:
        return one.count <= other.count
    return one.count * _MOST_DAYS[one.unit] <= other.count * _LEAST_DAYS[other.unit]
