"""Is recovered solvent fit for a use? Never silently: what was not shown is said not to be shown.

It says nothing of peroxides: the verdict of the house comes on top, and nothing here makes it milder.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from inventory.rules.phrases import Phrase
from recovery.rules.quality import Corrected, Range, Sample, outcome, reference
from recovery.rules.quality_data import PROPERTY_WORDS, Need, UseData, What

State = Literal["fit", "as-bought", "not-shown", "not-fit"]
WORDS: Mapping[State, str] = {
    "fit": Phrase("shown to be fit"),
    "as-bought": Phrase("as bought: its maker answers for it, nothing was checked here"),
    "not-shown": Phrase("not shown to be fit"),
    "not-fit": Phrase("not fit"),
}
_GRAVITY: tuple[State, ...] = ("fit", "as-bought", "not-shown", "not-fit")


@dataclass(frozen=True, slots=True)
class Checked:
    """The newest standing check of a property of the lot. on: the day it was made."""

    id: int
    found: Corrected
    on: date


@dataclass(frozen=True, slots=True)
class Reason:
    """Why. what: the property, or "" ; check: its id, None where there is none."""

    code: str
    words: str
    state: State
    what: str = ""
    check: int | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of what is in a container.

    as_bought: of one purchased lot, never distilled or blended here. returned_wet: it came back wet, and
    nobody said since that it was dried. times_most: how often it may have been distilled, None: no limit.
    """

    sample: Sample
    checks: Mapping[What, Checked]
    times_distilled: int = 0
    times_most: int | None = None
    times_refuses: bool = False
    times_source: str = ""
    as_bought: bool = False
    returned_wet: bool = False
    verdict: Sequence[Reason] = ()


@dataclass(frozen=True, slots=True)
class Fitness:
    """The answer for one use, gravest reason first."""

    use: str
    name: str
    state: State
    reasons: tuple[Reason, ...]
    source: str

    @property
    def words(self) -> str:
        return WORDS[self.state]


def _named(what: str) -> str:
    """A property in words."""
    return PROPERTY_WORDS.get(what) or what.replace("-", " ")


def held_to(need: Need, sample: Sample, limits: Mapping[str, Range]) -> Range | None:
    """What a property must lie in: the lab's own limit for it, else the shipped figure."""
    return limits.get(need.what) or reference(need.what, sample, need)


def fitness(use: UseData, known: Known, limits: Mapping[str, Range], today: date) -> Fitness:
    """Whether what is known shows that it is fit for a use. limits: the lab's own, by property."""
    wanted = {need.what: need for need in use.needs}
    for what in known.checks.keys() | limits.keys():
        if what in limits:
            wanted.setdefault(what, Need(what))  # type: ignore[arg-type]  # a property that a lab limits
    reasons = [*known.verdict, *_times(known)]
    reasons += [_judged(need, known, limits, today) for need in wanted.values()]
    if known.as_bought:
        reasons = [_by_its_maker(reason) for reason in reasons]
    ordered = tuple(sorted(reasons, key=lambda reason: -_GRAVITY.index(reason.state)))
    state = ordered[0].state if ordered else "not-shown"
    return Fitness(use.key, use.name, state, ordered, use.source)


def _by_its_maker(reason: Reason) -> Reason:
    """What was not checked of a lot as it was bought is its maker's to answer for."""
    if reason.code != "not-checked":
        return reason
    name = _named(reason.what)
    words = Phrase("Its {name} is as its maker sold it; nobody checked it here.", name=name)
    return Reason("as-bought", words, "as-bought", reason.what)


def _times(known: Known) -> list[Reason]:
    most = known.times_most
    if most is None or known.times_distilled <= most:
        return []
    words = Phrase(
        "Distilled {times_distilled} times, more than the {most} that the lab allows.",
        times_distilled=known.times_distilled,
        most=most,
    )
    state: State = "not-fit" if known.times_refuses else "not-shown"
    return [Reason("distilled-too-often", words, state, "times-distilled", source=known.times_source)]


def _judged(need: Need, known: Known, limits: Mapping[str, Range], today: date) -> Reason:
    what, name = need.what, _named(need.what)
    within, check = held_to(need, known.sample, limits), known.checks.get(need.what)
    wet = what == "water" and known.returned_wet
    if check is None:
        if wet:
            return Reason("returned-wet", Phrase("It came back wet and was not dried."), "not-fit", what)
        return Reason("not-checked", Phrase("Its {name} was not checked.", name=name), "not-shown", what)
    source = within.source if within else ""
    old = need.age_max_days is not None and (today - check.on).days > need.age_max_days
    said = outcome(check.found, within)
    if said == "outside":
        return Reason(
            "outside",
            Phrase("Its {name} is outside what it is held to.", name=name),
            "not-fit",
            what,
            check.id,
            source,
        )
    if old:
        words = Phrase(
            "Its {name} was checked on {on}, longer ago than {age_max_days} days.",
            name=name,
            on=check.on,
            age_max_days=need.age_max_days,
        )
        return Reason("check-too-old", words, "not-shown", what, check.id, source)
    if said == "within":
        return Reason(
            "within", Phrase("Its {name} is as it should be.", name=name), "fit", what, check.id, source
        )
    if said == "undecided":
        words = Phrase("Its {name} may be right or not: the uncertainty is too large to tell.", name=name)
        return Reason("undecided", words, "not-shown", what, check.id, source)
    return Reason(
        "no-reference",
        Phrase("Nothing says what its {name} should be.", name=name),
        "not-shown",
        what,
        check.id,
    )
