"""How each rule finds its subjects: one Watch per rule, and the words for what cures it.

The order of this file is that of the tables: containers, then reagents, waste, stock levels, storage limits.
Another app registers its own watches (`recovery.tasks` does).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from inventory.rules import alerts
from inventory.rules.alerts import OWN_CODES, AlertRule
from inventory.rules.phrases import Phrase
from inventory.selectors.stock_levels import fit_sql
from inventory.selectors.storage_use import OVER_SQL

__all__ = [
    "CONTAINER",
    "CONTAINER_WATCHES",
    "Subject",
    "Watch",
    "days_ago",
    "register",
    "registered",
    "rules",
]


@dataclass(frozen=True)
class Subject:
    """What alerts of one kind are about, by the name of its model.

    cures: condition → word kept when an alert closes, surest first; otherwise: the word when none holds.
    """

    kind: str
    table: str
    cures: tuple[tuple[str, str], ...]
    otherwise: str = "facts changed"


@dataclass(frozen=True)
class Watch:
    """How one rule finds its subjects, in SQL that SQLite and PostgreSQL both read.

    Names in the SQL: `s` the subject's row (with id and lab_id), `a` the open alert, `d` the days of the lab:
    d.today, d.soon, the last day that counts as soon, and what `days` adds. `bounds` says what a partial
    index holds, word for word as SQLite wants it, and limits of all labs (%(first_today)s, %(last_today)s,
    %(last_soon)s); `holds` says exactly whether the rule applies. moments: name of a parameter → how long
    before now it lies. days: name of a column of `d` → how many days before today, the latest of which in any
    lab is %(last_NAME)s.
    """

    rule: AlertRule
    subject: Subject
    bounds: str
    holds: str
    due_on: str = ""
    moments: Mapping[str, timedelta] = field(default_factory=dict)
    days: Mapping[str, int] = field(default_factory=dict)


_watches: dict[str, Watch] = {}


def register(*watches: Watch) -> None:
    """Add rules to every sweep from now on; safe to repeat."""
    for watch in watches:
        _watches[watch.rule.key] = watch


def registered() -> list[Watch]:
    """Every watch, those of one kind of subject together."""
    return sorted(_watches.values(), key=lambda watch: watch.subject.kind)


def rules() -> list[AlertRule]:
    """Every rule that can open an alert, worst first."""
    return sorted((watch.rule for watch in _watches.values()), key=lambda rule: rule.severity)


def days_ago() -> dict[str, int]:
    """The days that any watch asks for."""
    return {name: days for watch in _watches.values() for name, days in watch.days.items()}


def words_sql(values: Iterable[str]) -> str:
    """Words as the right side of IN."""
    return "(" + ", ".join(f"'{value}'" for value in values) + ")"


def _rule_is(*rules: AlertRule) -> str:
    return f"a.rule IN {words_sql(rule.key for rule in rules)}"


# -- containers

_STANDS = "s.discarded_at IS NULL"
_LIVE = f"{_STANDS} AND s.volume_ul > 0"
_OWN = f"s.due_code IN {words_sql(OWN_CODES)}"
_TESTS = "FROM inventory_peroxidetest t WHERE t.container_id = s.id AND t.recorded_at > a.opened_at"
_EXPIRY = _rule_is(alerts.EXPIRED, alerts.EXPIRY_SOON)
_AGE = _rule_is(alerts.MAXIMUM_AGE, alerts.MAXIMUM_AGE_SOON)
CONTAINER = Subject(
    "container",
    "inventory_container",
    cures=(
        ("s.discarded_at IS NOT NULL", Phrase("discarded")),
        (_rule_is(alerts.SIGN_SEEN), Phrase("sign withdrawn")),
        (_rule_is(alerts.COUNT_DIFFERENCE), Phrase("counted again")),
        (
            f"{_rule_is(alerts.QUARANTINED_LONG)} AND s.quarantined_at IS NULL",
            Phrase("let out of quarantine"),
        ),
        (_rule_is(alerts.QUARANTINED_LONG), Phrase("put in quarantine anew")),
        ("s.volume_ul = 0", Phrase("emptied")),
        (f"{_rule_is(alerts.EXPIRY_SOON)} AND s.expires_on < d.today", Phrase("expired")),
        (f"{_rule_is(alerts.MAXIMUM_AGE_SOON)} AND s.dispose_on < d.today", Phrase("its last day passed")),
        (_EXPIRY, Phrase("expiry date corrected")),
        (f"{_AGE} AND s.dispose_on = s.expires_on", Phrase("the maker's expiry took its place")),
        (f"NOT ({_AGE}) AND {_OWN}", Phrase("another reason took its place")),
        (f"{_rule_is(alerts.NEVER_TESTED)} AND s.next_test_due <= d.soon", Phrase("became due")),
        (f"{_rule_is(alerts.RETEST_DUE_SOON)} AND s.next_test_due < d.today", Phrase("became overdue")),
        (f"EXISTS (SELECT 1 {_TESTS} AND COALESCE(t.withdraws_id, 0) = 0)", Phrase("tested")),
        (f"EXISTS (SELECT 1 {_TESTS} AND t.withdraws_id > 0)", Phrase("test withdrawn")),
        ("s.due_code = 'not-a-former'", Phrase("holds no peroxide former")),
        (_AGE, Phrase("its last day moved")),
        (_rule_is(alerts.FORECAST_SOONER), Phrase("no longer sooner than the policy")),
        (_rule_is(alerts.OPENING_DATE_UNKNOWN, alerts.START_DATE_UNKNOWN), Phrase("date learnt")),
    ),
)


def _by_code(rule: AlertRule) -> Watch:
    """A rule that follows from why a test is due at once."""
    holds = f"s.due_code IN {words_sql(rule.codes)}"
    return Watch(rule, CONTAINER, f"{_LIVE} AND {_OWN}", holds, "s.next_test_due")


def _by_test(rule: AlertRule, bounds: str, holds: str) -> Watch:
    """A rule that follows from the stored date of the next test."""
    bounds = f"{_LIVE} AND s.next_test_due IS NOT NULL AND {bounds}"
    return Watch(rule, CONTAINER, bounds, f"NOT ({_OWN}) AND {holds}", "s.next_test_due")


def _past(rule: AlertRule, subject: Subject, column: str, within: str, besides: str = "") -> Watch:
    """A rule on a stored day, from the day after it on. within: what the partial index holds."""
    bounds = f"{within} AND {column} IS NOT NULL AND {column} < %(last_today)s"
    return Watch(rule, subject, bounds, f"{column} < d.today{besides}", column)


def _soon(rule: AlertRule, subject: Subject, column: str, within: str, besides: str = "") -> Watch:
    """A rule on a stored day, from as long before as the lab wants notice, to that day itself."""
    bounds = (
        f"{within} AND {column} IS NOT NULL AND {column} >= %(first_today)s AND {column} <= %(last_soon)s"
    )
    return Watch(rule, subject, bounds, f"{column} >= d.today AND {column} <= d.soon{besides}", column)


# Where the policy has a bottle go on the maker's expiry, the rule on the expiry is enough.
_OF_AGE = " AND (s.expires_on IS NULL OR NOT (s.expires_on = s.dispose_on))"
CONTAINER_WATCHES: tuple[Watch, ...] = (
    # An empty bottle with crystals round its cap is still a danger.
    Watch(alerts.SIGN_SEEN, CONTAINER, f"{_STANDS} AND NOT (s.worst_sign = '')", holds="s.worst_sign > ''"),
    *(_by_code(rule) for rule in alerts.CONTAINER_RULES if rule.codes),
    _by_test(alerts.RETEST_OVERDUE, "s.next_test_due < %(last_today)s", "s.next_test_due < d.today"),
    _by_test(
        alerts.RETEST_DUE_SOON,
        "s.next_test_due >= %(first_today)s AND s.next_test_due <= %(last_soon)s",
        "s.next_test_due >= d.today AND s.next_test_due <= d.soon",
    ),
    _past(alerts.MAXIMUM_AGE, CONTAINER, "s.dispose_on", _LIVE, _OF_AGE),
    _soon(alerts.MAXIMUM_AGE_SOON, CONTAINER, "s.dispose_on", _LIVE, _OF_AGE),
    _past(alerts.EXPIRED, CONTAINER, "s.expires_on", _LIVE),
    _soon(alerts.EXPIRY_SOON, CONTAINER, "s.expires_on", _LIVE),
    Watch(
        alerts.NEVER_TESTED,
        CONTAINER,
        f"{_LIVE} AND s.untested_since IS NOT NULL AND s.untested_since < %(last_untested_before)s",
        f"NOT ({_OWN}) AND s.untested_since < d.untested_before "
        "AND (s.next_test_due IS NULL OR s.next_test_due > d.soon)",
        days={"untested_before": alerts.NEVER_TESTED_DAYS},
    ),
    Watch(
        alerts.FORECAST_SOONER,
        CONTAINER,
        f"{_LIVE} AND s.forecast_on IS NOT NULL AND s.forecast_on <= %(last_soon)s",
        f"NOT ({_OWN}) AND s.forecast_on <= d.soon "
        "AND (s.policy_due IS NULL OR s.forecast_on < s.policy_due)",
        "s.forecast_on",
    ),
    Watch(
        alerts.QUARANTINED_LONG,
        CONTAINER,
        f"{_STANDS} AND s.quarantined_at IS NOT NULL AND s.quarantined_at < %(quarantined_before)s",
        "s.quarantined_at < %(quarantined_before)s",
        moments={"quarantined_before": timedelta(days=alerts.QUARANTINED_LONG_DAYS)},
    ),
    Watch(
        alerts.COUNT_DIFFERENCE,
        CONTAINER,
        f"{_STANDS} AND s.count_off_ul IS NOT NULL",
        "NOT (s.count_off_ul = 0)",
    ),
)

# -- reagents and waste

REAGENT = Subject(
    "reagent",
    "inventory_reagent",
    cures=(("s.ended_at IS NOT NULL", Phrase("taken out of use")),),
    otherwise=Phrase("date corrected"),
)
REAGENT_WATCHES = (_past(alerts.REAGENT_EXPIRED, REAGENT, "s.use_by_on", "s.ended_at IS NULL"),)

_COLLECTING = "s.collected_at IS NULL"
WASTE = Subject(
    "wastecontainer",
    "inventory_wastecontainer",
    cures=(
        ("s.collected_at IS NOT NULL", Phrase("collected")),
        (f"{_rule_is(alerts.WASTE_DUE_SOON)} AND s.collect_by < d.today", Phrase("became overdue")),
        (_rule_is(alerts.WASTE_NEARLY_FULL), Phrase("there is room again")),
    ),
    otherwise=Phrase("date corrected"),
)
WASTE_WATCHES = (
    Watch(
        alerts.WASTE_NEARLY_FULL, WASTE, _COLLECTING, "s.volume_ul * 100 >= s.capacity_ul * s.full_percent"
    ),
    _past(alerts.WASTE_OVERDUE, WASTE, "s.collect_by", _COLLECTING),
    _soon(alerts.WASTE_DUE_SOON, WASTE, "s.collect_by", _COLLECTING),
)

# -- how much there should be, and how much there may be

LEVEL = Subject(
    "stocklevel",
    "inventory_stocklevel",
    cures=(("s.ended_at IS NOT NULL", Phrase("level ended")),),
    otherwise=Phrase("enough is fit to use"),
)
LEVEL_WATCHES = (
    Watch(alerts.LOW_STOCK, LEVEL, "s.ended_at IS NULL", f"{fit_sql('d.today')} < s.minimum_ul"),
)
LIMIT = Subject(
    "storagelimit",
    "inventory_storagelimit",
    cures=(("s.ended_at IS NOT NULL", Phrase("limit ended")),),
    otherwise=Phrase("within the limit again"),
)
LIMIT_WATCHES = (Watch(alerts.OVER_LIMIT, LIMIT, "s.ended_at IS NULL", OVER_SQL),)

register(*CONTAINER_WATCHES, *REAGENT_WATCHES, *WASTE_WATCHES, *LEVEL_WATCHES, *LIMIT_WATCHES)
