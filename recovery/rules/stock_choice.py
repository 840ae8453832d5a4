"""Which bottles to take for a run, first to expire first, and what is missing.

Only what its verdict allows counts as fit; a bottle that needs a test first is named beside, never counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from inventory.rules.levels import Level

__all__ = ["Bottle", "Choice", "Take", "choose"]


@dataclass(frozen=True, slots=True)
class Bottle:
    """A container with what may be done with it. ends_on: the first day that ends its use, None: not known.

    recovered: distilled at least once. against: reasons against it as (code, words, source). quality: what
    is shown of it for this kind of run: fit, as-bought, not-shown, not-fit, or "" where nothing is asked.
    advice: what whoever stands in front of it is told to do.
    """

    container_id: int
    code: str
    volume_ul: int
    recovered: bool
    times_distilled: int
    opened: bool
    ends_on: date | None
    level: Level
    allowed: bool
    against: tuple[tuple[str, str, str], ...] = ()
    quality: str = ""
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Take:
    bottle: Bottle
    volume_ul: int


@dataclass(frozen=True, slots=True)
class Choice:
    """takes add up to what is needed less missing_ul. after_test: fit once a test has passed, in order.

    not_fit: for no use of this kind today. after_test_ul: what those that need a test hold. not_shown_ul:
    of what is fit by its verdict, that whose quality nobody has shown.
    """

    needed_ul: int
    fit_fresh_ul: int
    fit_recovered_ul: int
    takes: tuple[Take, ...]
    missing_ul: int
    after_test: tuple[Bottle, ...]
    not_fit: tuple[Bottle, ...]

    not_shown_ul: int = 0

    @property
    def fit_ul(self) -> int:
        return self.fit_fresh_ul + self.fit_recovered_ul

    @property
    def after_test_ul(self) -> int:
        return sum(bottle.volume_ul for bottle in self.after_test)


def choose(bottles: Sequence[Bottle], needed_ul: int) -> Choice:
    """Bottles in the order of the day that ends them, opened ones before sealed, small rests before full."""
    fit = sorted((bottle for bottle in bottles if bottle.allowed), key=_order)
    takes, left_ul = [], needed_ul
    for bottle in fit:
        if left_ul <= 0:
            break
        takes.append(Take(bottle, min(bottle.volume_ul, left_ul)))
        left_ul -= takes[-1].volume_ul
    others = sorted((bottle for bottle in bottles if not bottle.allowed), key=_order)
    return Choice(
        needed_ul=needed_ul,
        fit_fresh_ul=sum(bottle.volume_ul for bottle in fit if not bottle.recovered),
        fit_recovered_ul=sum(bottle.volume_ul for bottle in fit if bottle.recovered),
        takes=tuple(takes),
        missing_ul=max(0, left_ul),
        after_test=tuple(bottle for bottle in others if _waits_for_a_test(bottle)),
        not_fit=tuple(bottle for bottle in others if not _waits_for_a_test(bottle)),
        not_shown_ul=sum(bottle.volume_ul for bottle in fit if bottle.quality == "not-shown"),
    )


def _waits_for_a_test(bottle: Bottle) -> bool:
    """A passed test would make it fit, as far as can be said today."""
    return bottle.level == "test-first" and bottle.quality != "not-fit"


def _order(bottle: Bottle) -> tuple[date, bool, int, int]:
    return (bottle.ends_on or date.max, not bottle.opened, bottle.volume_ul, bottle.container_id)
