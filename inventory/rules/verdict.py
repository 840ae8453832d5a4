"""May this be done with this bottle today? The one verdict function: page, API, gate and sweep call it.

`verdict(facts, policy, use, today)` is pure and never raises. It gathers every reason that bears on the
use, each with its level, and the gravest decides; `levels` holds the table of level × use → allowed. In
what order the reasons are looked for is of no account.

- signs seen, by the floor of `signs`, and the policy's handling rows (`verdict_handling`);
- quarantine; the maker's expiry date;
- for formers: what the last reading comes to (`outcomes`), every due day that has passed (`retest`), and for
  distilling a fresh enough passed test (`verdict_distilling`).

A date that lies after today is no fact yet and counts as unknown. Reasons of level "use" say what holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from inventory.rules.cautions import cautions_for
from inventory.rules.facts import ContainerFacts, vouches
from inventory.rules.levels import (
    LEVEL_WORDS,
    LEVELS,
    RANK,
    USE_WORDS,
    USES,
    Level,
    Use,
    allows,
    for_use,
    gravest,
)
from inventory.rules.outcomes import outcome
from inventory.rules.peroxide import Reading
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy
from inventory.rules.retest import OUR_RULE, Due, dues, next_test, overridden
from inventory.rules.retest_notes import notes
from inventory.rules.verdict_distilling import DistillingTerms, distilling_reasons, distilling_terms
from inventory.rules.verdict_handling import Handled, handled, handling_reasons, sign_reasons
from inventory.rules.verdict_reasons import VerdictReason, due_fact, note_fact, reading_fact

__all__ = ["LEVELS", "LEVEL_WORDS", "USES", "USE_WORDS", "DistillingTerms", "Level", "Use", "Verdict"]
__all__ += ["VerdictReason", "allows", "distilling_terms", "reading_level", "verdict", "verdicts"]


FLOOR_MG_PER_L = Decimal(100)
FLOOR_SOURCE = Phrase("Michigan State EHS: above 100 ppm leave it in place and call")


@dataclass(frozen=True)
class Verdict:
    """The answer for one use. due_on: the day the next test falls due. reasons: the worst first.

    cautions: codes of `cautions.CAUTIONS`, which holds their words.
    """

    use: Use
    level: Level
    allowed: bool
    due_on: date | None
    reasons: tuple[VerdictReason, ...]
    cautions: tuple[str, ...]

    @property
    def words(self) -> str:
        """The level for people."""
        return LEVEL_WORDS[self.level]


def verdict(facts: ContainerFacts, policy: Policy, use: Use, today: date) -> Verdict:
    """Whether a use is allowed today, with every reason. Pure; never raises."""
    known = _Known.of(facts, policy, today)
    return _verdict(known, use)


def verdicts(facts: ContainerFacts, policy: Policy, today: date) -> dict[Use, Verdict]:
    """The verdict for every use."""
    known = _Known.of(facts, policy, today)
    return {use: _verdict(known, use) for use in USES}


@dataclass(frozen=True, slots=True)
class _Known:
    """What is the same for every use: the policy's rows that hold, reasons, and the day of the next test."""

    facts: ContainerFacts
    policy: Policy
    today: date
    due_on: date | None
    handled: list[Handled]
    common: list[VerdictReason]

    @classmethod
    def of(cls, facts: ContainerFacts, policy: Policy, today: date) -> _Known:
        facts = _known_today(facts, today)
        days = dues(facts, policy) if facts.peroxide_class != "none" else None
        common = [*sign_reasons(facts), *_by_date(facts, policy, today, days)]
        due_on = next_test(facts, policy, days).on
        return cls(facts, policy, today, due_on, handled(facts, policy, today), common)


def _verdict(known: _Known, use: Use) -> Verdict:
    found = [*_of_use(known, use), *known.common]
    reasons = [_for_use(reason, use) for reason in found]
    reasons = sorted(dict.fromkeys(reasons), key=lambda reason: -RANK[reason.level])
    level = gravest(reason.level for reason in reasons)
    return Verdict(
        use=use,
        level=level,
        allowed=allows(level, use),
        due_on=known.due_on,
        reasons=tuple(reasons),
        cautions=cautions_for(known.facts, use, level),
    )


def _known_today(facts: ContainerFacts, today: date) -> ContainerFacts:
    """The facts without dates that have not come yet; expiry and forecast may lie ahead."""
    names = ("opened_on", "received_on", "made_on", "topped_up_on", "treated_on")
    ahead = {name: None for name in names if (getattr(facts, name) or today) > today}
    if facts.opened_on is not None and facts.opened_on > today:
        facts = replace(facts, opened="unknown")
    test = facts.last_test
    if test is not None and test.tested_on is not None and test.tested_on > today:
        facts = replace(facts, last_test=replace(test, tested_on=None))
    facts = replace(facts, **ahead) if ahead else facts  # type: ignore[arg-type]
    return facts if facts.recorded_on <= today else replace(facts, recorded_on=today)


def _for_use(reason: VerdictReason, use: Use) -> VerdictReason:
    level = for_use(reason.level, use)
    return reason if level == reason.level else replace(reason, level=level)


def _of_use(known: _Known, use: Use) -> Iterable[VerdictReason]:
    """Reasons that bear on this use in their own way."""
    yield from handling_reasons(known.handled, use)
    yield from _quarantine(known.facts, use)
    yield from _reading(known.facts, known.policy, use)
    if use == "distil" and known.facts.peroxide_class != "none":
        yield from distilling_reasons(known.facts, known.policy, known.today)


def _by_date(
    facts: ContainerFacts, policy: Policy, today: date, days: list[Due] | None
) -> Iterable[VerdictReason]:
    """days: when a former falls due; None for a solvent that is none."""
    if days is None:
        yield from _no_former(facts, policy, today)
        return
    for due in days:
        yield _from_due(due, _past(due, today))
    yield from _opened_after_expiry(facts, policy)
    for note in notes(facts, policy):
        yield VerdictReason(note.code, note.words, note_fact(note.code, facts), note.source, "use")


def _past(due: Due, today: date) -> bool:
    """Whether a due day is over. The day itself still counts as in time, except for "test before use"."""
    if due.on is None:
        return False
    if due.at_once or due.on < today:
        return True
    # An interval of nought from a test that was passed today is kept.
    return due.same_day and due.code != "after-passed-test" and due.on <= today


def _from_due(due: Due, past: bool) -> VerdictReason:
    level: Level = "use"
    words = due.words
    if past:
        level = "test-first" if due.ends_in == "test" else "do-not-use"
        words = due.words if due.at_once else Phrase("{words} That day is over.", words=due.words)
    return VerdictReason(due.code, words, due_fact(due), due.rule_source, level)


def _reading(facts: ContainerFacts, policy: Policy, use: Use) -> Iterable[VerdictReason]:
    """What the last reading comes to; for a solvent that is no former only if it reaches a level."""
    reading = facts.last_test
    if reading is None:
        return
    found = outcome(reading, policy, use, facts.density_20c_kg_m3)
    fact = reading_fact(reading)
    if found.code == "reading-at-or-above-level" and found.row is not None:
        if reading.lower_mg_per_l == 0 and facts.peroxide_class == "none":
            return
        words = Phrase("The last test shows {words}, or cannot rule it out.", words=found.words)
        yield VerdictReason(found.code, words, fact, found.row.source, found.level)
        yield from _above_floor(reading, policy, found.row.edge)
    elif found.code == "reading-not-decisive" and facts.peroxide_class != "none":
        words = Phrase("The last test does not rule out {words}: it counts as untested.", words=found.words)
        yield VerdictReason(found.code, words, fact, OUR_RULE, found.level)


def _above_floor(reading: Reading, policy: Policy, edge: str) -> Iterable[VerdictReason]:
    """A policy that says nothing of so much leaves the floor: what may be above it is not touched."""
    if any(row.amount is not None and row.amount >= FLOOR_MG_PER_L for row in policy.levels):
        return
    upper = reading.upper_mg_per_l
    may_be = edge != "detected" and (upper is None or upper > FLOOR_MG_PER_L)
    if may_be or reading.lower_mg_per_l > FLOOR_MG_PER_L:
        words = Phrase(
            "It may hold more than {floor_mg_per_l} mg/L, of which this lab's policy says nothing.",
            floor_mg_per_l=FLOOR_MG_PER_L,
        )
        yield VerdictReason("reading-above-floor", words, reading_fact(reading), FLOOR_SOURCE, "do-not-touch")


def reading_level(
    reading: Reading, policy: Policy, use: Use, density_20c_kg_m3: Decimal | None = None
) -> Level:
    """What a reading alone comes to for one use, by the policy and by the floor under it."""
    found = outcome(reading, policy, use, density_20c_kg_m3)
    edge = found.row.edge if found.code == "reading-at-or-above-level" and found.row is not None else None
    above = _above_floor(reading, policy, edge) if edge is not None else ()
    return gravest([found.level, *(reason.level for reason in above)])


def _quarantine(facts: ContainerFacts, use: Use) -> Iterable[VerdictReason]:
    if facts.quarantined:
        level: Level = "use" if use in ("keep", "move") else "do-not-use"
        words = Phrase("It is barred from use: nothing is done with it until that is lifted.")
        yield VerdictReason(
            "quarantined", words, Phrase("barred by the lab"), Phrase("this lab's own record"), level
        )


def _opened_after_expiry(facts: ContainerFacts, policy: Policy) -> Iterable[VerdictReason]:
    """A bottle that was opened past the maker's date, until a test has passed since."""
    if facts.expiry_on is None or facts.opened_on is None or facts.opened_on <= facts.expiry_on:
        return
    level: Level = "use" if vouches(facts, policy) else "test-first"
    words = Phrase("It was opened after the maker's expiry date.")
    fact = Phrase("expiry {day}, opened {opened}", day=facts.expiry_on, opened=facts.opened_on)
    yield VerdictReason("opened-after-expiry", words, fact, OUR_RULE, level)


def _no_former(facts: ContainerFacts, policy: Policy, today: date) -> Iterable[VerdictReason]:
    source = Phrase("solvent catalogue")
    yield from (_from_due(due, past=True) for due in overridden(facts, policy))
    yield VerdictReason(
        "not-a-former",
        Phrase("It forms no peroxides: no test is needed."),
        Phrase("class none"),
        source,
        "use",
    )
    on = facts.expiry_on
    if on is None:
        return
    tested_on = facts.last_test.tested_on if facts.last_test else None
    over = on < today and (tested_on is None or tested_on < on)
    words = Phrase("The maker's expiry date is {on}.", on=on)
    if over:
        words = Phrase.joined([words, Phrase("Find out whether it still is what the label says.")])
    level: Level = "test-first" if over else "use"
    yield VerdictReason("expiry", words, Phrase("expiry {day}", day=on), Phrase("maker's label"), level)
