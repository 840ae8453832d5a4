"""How dangerous each container of a list is, as one SQL expression over what is stored, so that a list of any
length is ordered by it and paged in one statement.

A verdict costs most of a millisecond, so that ten thousand are not asked for a page. The bands below are the
worst that the stored facts leave possible, by the same levels as `rules/advice.told`; distilling has a gate
of its own and is not looked at here.

| band | what stands there |
|---|---|
| LEAVE | not to be touched: by a sign, by its last test, or by a row of the policy that holds for sure |
| LEAVE_PERHAPS | a row or level of the policy may say so, by facts that are not stored with the container |
| NO_USE | not to be used: a test out of limits, set aside, its last day of keeping over, a sign, a row |
| UNDECIDED | the last test does not rule out peroxides: it counts as untested |
| TEST_FIRST | overdue, or not sure to be fit to draw from with no day to wait for |
| NOT_SURE | due today, or a date of it is over that a test may have answered |
| FINE | sure to be fit to draw from |

Within a band the next test decides. No container is worse than its band, so a worse one is never below one of
which the stored facts show that it is milder. The other way round is possible: what hangs on facts that are
not stored (what was blended, whether an inhibitor counts, a level for another use than drawing), on a day
that is today, or on a test made past the maker's date, stands as high as it could have to. The columns are
written in the transaction that changes a fact (`services/refreshing`).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from inventory.rules.levels import Level, Use, for_use
from inventory.rules.months import add_months
from inventory.rules.policy_data import Policy
from inventory.rules.policy_rows import CLASSES, CLOSURES, HandlingRow, LevelRow
from inventory.rules.signs import SIGN_ROWS, SIGNS
from inventory.rules.verdict import FLOOR_MG_PER_L

LEAVE, LEAVE_PERHAPS, NO_USE, UNDECIDED, TEST_FIRST, NOT_SURE, FINE = range(7)
# How `rules/retest` begins the stored words of a reading that has a container left where it is.
LEFT_ALONE = "The last test may have reached "
_USES: tuple[Use, ...] = ("draw", "open", "move", "keep")
_HELD = "l.id IS NOT NULL"
# One that nobody has confirmed is handled as of unknown class (`services/facts.class_for_safety`).
_CLASS = "COALESCE(CASE WHEN s.state = 'unconfirmed' THEN 'unknown' ELSE s.peroxide_class END, 'unknown')"
_FORMER = f"{_CLASS} <> 'none'"
_REACHED = "c.due_code = 'reading-at-or-above-level'"
_AGE_UNKNOWN = (
    "(c.due_code IN ('opening-date-unknown', 'receipt-date-unknown', 'made-date-unknown') "
    "OR (c.opened = 'unopened' AND c.due_code IN ('reading-at-or-above-level', 'reading-not-decisive')) "
    "OR CASE WHEN l.origin IN ('made-here', 'recovered') THEN l.made_on IS NULL ELSE c.opened_on IS NULL "
    "AND (c.opened <> 'unopened' OR c.received_on IS NULL OR l.origin = 'blend') END)"
)


def danger_sql(policy: Policy, today: date) -> str:
    """The band of container c with lot l and solvent s, for `selectors/shelf`. today: the lab's own day."""
    day = f"'{today.isoformat()}'"
    not_sure = f"{_HELD} AND (c.drawable_until IS NULL OR c.drawable_until < {day})"
    bands: dict[int, list[str]] = {
        LEAVE: [_signs("do-not-touch"), f"{_REACHED} AND {_begins(LEFT_ALONE)}"],
        LEAVE_PERHAPS: [],
        NO_USE: [
            _signs("do-not-use"), _REACHED, f"{_HELD} AND c.quarantined_at IS NOT NULL",
            f"{_HELD} AND c.dispose_on <= {day}",
        ],
        UNDECIDED: ["c.due_code = 'reading-not-decisive'"],
        TEST_FIRST: [
            "c.worst_sign <> ''",
            f"{not_sure} AND (c.next_test_due IS NULL OR c.next_test_due < {day})",
        ],
        NOT_SURE: [not_sure],
    }  # fmt: skip
    for band, text in _of_policy(policy, today):
        bands[band].append(text)
    found = " ".join(f"WHEN ({text}) THEN {band}" for band, texts in bands.items() for text in texts)
    return f"CASE {found} ELSE {FINE} END"


def _in(codes: Iterable[str]) -> str:
    """A list of codes; they are the house's own words, checked where a policy is read."""
    return "(" + ", ".join(f"'{code}'" for code in sorted(codes)) + ")"


def _begins(words: str) -> str:
    return f"SUBSTR(c.due_words, 1, {len(words)}) = '{words}'"


def _signs(level: Level) -> str:
    """By the floor of signs. One that nobody knows is the worst; a container never filled is a former."""
    former = [code for code, sign in SIGN_ROWS.items() if sign.former == level]
    other = [code for code, sign in SIGN_ROWS.items() if sign.other == level]
    found = [
        f"c.worst_sign IN {_in(codes)} AND {whose}"
        for codes, whose in ((former, _FORMER), (other, f"NOT {_FORMER}"))
        if codes
    ]
    strange = [f"c.worst_sign NOT IN {_in(['', *SIGNS])}"] if level == "do-not-touch" else []
    return " OR ".join(f"({text})" for text in [*found, *strange])


def _of_policy(policy: Policy, today: date) -> Iterable[tuple[int, str]]:
    for row in policy.handling:
        level = _level(row.then, row.uses)
        for text, sure in _conditions(row, today):
            yield from _banded(level, text, sure=sure)
    for each in policy.levels:
        # What a test leaves for drawing is stored with the container, what for other uses is not.
        if not each.applies_to("draw"):
            yield from _banded(_level(each.then, each.uses), _HELD, sure=False)
    if not any(_above_floor(each) for each in policy.levels):
        yield LEAVE_PERHAPS, _REACHED


def _above_floor(row: LevelRow) -> bool:
    return row.amount is not None and row.amount >= FLOOR_MG_PER_L


def _level(then: Level, uses: frozenset[Use] | None) -> Level:
    return next(
        (then for use in _USES if (uses is None or use in uses) and for_use(then, use) != "use"), "use"
    )


def _banded(level: Level, text: str, *, sure: bool) -> Iterable[tuple[int, str]]:
    if level == "do-not-touch":
        yield (LEAVE if sure else LEAVE_PERHAPS), text
    elif level in ("do-not-use", "test-first"):
        yield (NO_USE if level == "do-not-use" else TEST_FIRST), text


def _conditions(row: HandlingRow, today: date) -> Iterable[tuple[str, bool]]:
    """What a row of the policy comes to in SQL, and whether it holds for sure where that is true."""
    known = [_HELD, _of_class(row)]
    if row.opened is not None:
        opened = "(c.opened = 'opened' OR c.opened_on IS NOT NULL)"
        known.append(f"(c.opened = 'unknown' OR {'' if row.opened else 'NOT '}{opened})")
    if row.closures is not None:
        known.append(f"(c.closure IN {_in(row.closures)} OR c.closure NOT IN {_in(CLOSURES)})")
    if row.expired_more_than_months is not None:
        known.append(f"c.expires_on <= '{_expired_by(today, row.expired_more_than_months).isoformat()}'")
    if row.age_unknown:
        known.append(_AGE_UNKNOWN)
    if row.origin_unknown:
        # Of a blend it hangs on what went into it.
        known.append("l.origin IN ('not-known', 'blend')")
    sure = row.inhibited is None and not row.origin_unknown and not row.age_unknown
    if row.signs is None:
        yield " AND ".join(known), sure
        return
    yield " AND ".join([*known, f"c.worst_sign IN {_in(row.signs)}"]), sure
    # Only the worst sign is stored: a milder one may be behind it.
    hiding = SIGNS[: max(SIGNS.index(code) for code in row.signs)]
    if hiding:
        yield " AND ".join([*known, f"c.worst_sign IN {_in(hiding)}"]), False


def _of_class(row: HandlingRow) -> str:
    """An unknown class may be any one of a former's."""
    if row.classes is None:
        return _FORMER
    may_be = set(row.classes)
    if may_be & set(CLASSES):
        return f"({_CLASS} IN {_in(may_be)} OR {_CLASS} NOT IN {_in([*CLASSES, 'none'])})"
    return f"{_CLASS} IN {_in(may_be)}"


def _expired_by(today: date, months: int) -> date:
    """The last expiry date that is more than so many months over; month ends are as in `rules/months`."""
    day = add_months(today, -months)
    day = min(day, date.max - timedelta(days=4)) + timedelta(days=4)
    while day > date.min and add_months(day, months) >= today:
        day -= timedelta(days=1)
    return day
