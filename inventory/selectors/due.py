"""What needs a test or a person, most dangerous first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Case, IntegerField, Q, QuerySet, Value, When

from inventory.models import Container, Lab
from inventory.rules.advice import ASK_FIRST, UNTIL_LIFTED

# Rank → what it stands for; lower is more dangerous.
SIGN, READING, UNKNOWN, OVERDUE, TODAY, SOON, LOOK = range(7)
RANK_WORDS = ("sign seen", "bad test", "fact missing", "overdue", "due today", "due soon", "look at it")
# Signs of peroxide whatever the label says, and signs that mean it only in a former.
_GRAVE_SIGNS = ["crystals", "viscous-layer", "cloudy"]
_GRAVE_IN_FORMERS = ["cap-stuck", "cap-rusted", "odd-colour"]
READINGS_BAD = ["reading-at-or-above-level", "reading-not-decisive"]
_MISSING = ["opening-date-unknown", "receipt-date-unknown", "made-date-unknown", "no-rule"]


@dataclass(frozen=True, slots=True)
class DueItem:
    """One container on the due list. `days` is how many days ago it fell due; negative: days to go.

    `services/due_telling` puts in what the verdict of today says: level, its words, what to do, the words and
    days that lead by it (days None: a date would only mislead). dispose_on: the last day it may be kept.
    """

    container_id: int
    code: str
    solvent: str
    solvent_key: str
    peroxide_class: str
    location: str
    volume_ul: int
    next_test_due: date | None
    days: int | None
    due_code: str
    words: str
    worst_sign: str
    rank: int
    verdict: str = ""
    level: str = ""
    advice: str = ""
    dispose_on: date | None = None
    set_aside: bool = False

    @property
    def test_now(self) -> bool:
        """Whoever stands before it may test it without asking anybody, and a test is what its day asks for.

        Where anything but a date leads, or the day is the last it may be kept, no test helps.
        """
        may_open = self.level in ("use", "test-first") and ASK_FIRST not in self.advice
        ends = self.dispose_on is not None and self.dispose_on == self.next_test_due
        dated = self.days is not None and self.due_code != "not-a-former"
        return may_open and dated and not ends and self.volume_ul > 0

    @property
    def only_barred(self) -> bool:
        """It waits for a supervisor's word, and may be used again after it."""
        return self.advice == UNTIL_LIFTED

    @property
    def state(self) -> str:
        return RANK_WORDS[self.rank]

    @property
    def why(self) -> str:
        """The sign seen, if any, the words that lead, and what to do; nothing soothing beside a sign."""
        words = "" if self.worst_sign and self.due_code == "not-a-former" else self.words
        return "; ".join(part for part in (self.worst_sign, words, self.advice) if part)


def today_in(lab: Lab, now: datetime) -> date:
    """The lab's own calendar day."""
    return now.astimezone(ZoneInfo(lab.time_zone)).date()


def due_containers(*, lab: Lab, today: date) -> QuerySet[Any]:
    """Containers to act on, annotated with `rank` and ordered by it, then by date.

    A container due today is not yet overdue, as in the sweep.
    """
    soon = today + timedelta(days=lab.due_soon_days)
    holding = Q(volume_ul__gt=0)
    rank = Case(
        When(worst_sign__in=_GRAVE_SIGNS, then=Value(SIGN)),
        When(Q(worst_sign__in=_GRAVE_IN_FORMERS) & ~Q(due_code="not-a-former"), then=Value(SIGN)),
        When(due_code__in=READINGS_BAD, then=Value(READING)),
        When(due_code__in=_MISSING, then=Value(UNKNOWN)),
        When(next_test_due__lt=today, then=Value(OVERDUE)),
        When(next_test_due=today, then=Value(TODAY)),
        When(next_test_due__lte=soon, then=Value(SOON)),
        default=Value(LOOK),
        output_field=IntegerField(),
    )
    wanted = ~Q(worst_sign="") | (holding & Q(next_test_due__lte=soon))
    return (
        Container.objects.filter(wanted, lab=lab, discarded_at=None)
        .annotate(rank=rank)
        .order_by("rank", "next_test_due", "id")
    )


def due_list(*, lab: Lab, today: date, limit: int = 500, start: int = 0) -> list[DueItem]:
    """The due list in one query. start: how many of it come before."""
    return _items(due_containers(lab=lab, today=today)[start : start + limit], today)


def counts_and_list(
    *, lab: Lab, today: date, limit: int, start: int = 0
) -> tuple[dict[int, int], list[DueItem]]:
    """How many stand in each rank, and the same part of the due list; the stock is gone through once."""
    due = due_containers(lab=lab, today=today)
    sql, values = due.order_by().values("id", "next_test_due", "rank").query.sql_with_params()
    with connection.cursor() as cursor:
        cursor.execute(
            f"WITH due AS MATERIALIZED ({sql}) "  # noqa: S608
            "SELECT 0 AS part, rank, COUNT(*) FROM due GROUP BY rank UNION ALL SELECT * FROM "
            "(SELECT 1 AS part, rank, id FROM due ORDER BY rank, next_test_due, id LIMIT %s OFFSET %s) AS f",
            [*values, limit, start],
        )
        rows = cursor.fetchall()
    counts = {rank: n for part, rank, n in rows if part == 0}
    return counts, _items(due.filter(pk__in=[pk for part, _, pk in rows if part == 1]), today)


def _items(rows: QuerySet[Any], today: date) -> list[DueItem]:
    rows = rows.values_list(
        "id",
        "code",
        "lot__solvent__name",
        "lot__solvent__key",
        "lot__solvent__peroxide_class",
        "location__name",
        "volume_ul",
        "next_test_due",
        "due_code",
        "due_words",
        "worst_sign",
        "rank",
        "dispose_on",
        "quarantined_at",
    )
    return [_item(row, today) for row in rows]


def _item(row: tuple[Any, ...], today: date) -> DueItem:
    pk, code, solvent, key, peroxide_class, location, volume_ul, due, due_code, words, sign, rank, *more = row
    dispose_on, quarantined_at = more
    days = None if due is None else (today - due).days
    return DueItem(
        pk,
        code,
        solvent or "",
        key or "",
        peroxide_class or "unknown",
        location or "",
        volume_ul,
        due,
        days,
        due_code,
        words,
        sign,
        rank,
        dispose_on=dispose_on,
        set_aside=quarantined_at is not None,
    )
