"""The alerts of the front page: beside a container that is listed anyway, the rest in a list of their own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from django.db.models import Count, Q
from django.utils.translation import gettext

from inventory.models import Alert
from inventory.rules.advice import Told
from inventory.services.answering import by_severity, severity_of
from inventory.services.delivery.content import containers_of, rule_words
from inventory.web.addresses import address_of
from inventory.web.alert_lines import AlertLine, lines_of, put_off_q, to_do
from inventory.web.desk import Desk
from inventory.web.language import spoken
from recovery.models import Run

SHOWN = 10


@dataclass(frozen=True)
class Beside:
    """An alert beside its container. called: what a link to it says to those who only hear it."""

    line: AlertLine
    called: str


@dataclass(frozen=True)
class Standing:
    """beside: by the id of the container. more: those that are in the list of all alerts only."""

    beside: dict[int, list[Beside]]
    others: list[AlertLine]
    more: int
    waiting: int


@dataclass(frozen=True)
class Found:
    """Alerts to be done, the worst first. here: of listed containers; others: the first of the rest."""

    here: list[Alert]
    others: list[Alert]
    count: int
    open_count: int

    @property
    def containers(self) -> set[int]:
        """The containers that are not listed."""
        return set(containers_of(self.others).values())


def found(desk: Desk, *, listed: Collection[int]) -> Found:
    """What stands open and is not put off. listed: ids of the containers on the due list."""
    every = Alert.objects.filter(lab=desk.lab, closed_at=None)
    counts = every.aggregate(open=Count("pk"), to_do=Count("pk", filter=~put_off_q(desk)))
    if not counts["open"]:
        return Found([], [], 0, 0)
    wanted = to_do(every, desk)
    beside_them = Q(subject_kind="container", subject_id__in=listed)
    # Chosen by id alone: all that stand open are not to be sorted with everything that is shown of each.
    first = by_severity(wanted.exclude(beside_them)).order_by("severity", "-pk").values("pk")[:SHOWN]
    here, others = (
        rows.select_related("acknowledged_by")
        for rows in (wanted.filter(beside_them), Alert.objects.filter(pk__in=first))
    )
    return Found(_worst_first(here), _worst_first(others), counts["to_do"], counts["open"])


def _worst_first(rows: Iterable[Alert]) -> list[Alert]:
    """As `by_severity` has them; few are put in order here at less than it costs to ask for it."""
    return sorted(rows, key=lambda alert: (severity_of(alert.rule), -alert.pk))


@dataclass(frozen=True)
class OfRun:
    """An open alert of a run, and where it is answered."""

    alert: Alert
    words: str
    address: str


def of_runs(desk: Desk, runs: Iterable[Run]) -> dict[int, list[OfRun]]:
    """What stands open because of them, the worst first, by the id of the run."""
    ids = [run.pk for run in runs]
    found: defaultdict[int, list[OfRun]] = defaultdict(list)
    if ids:
        rows = Alert.objects.filter(lab=desk.lab, closed_at=None, subject_kind="run", subject_id__in=ids)
        own = address_of("alert", desk.lab.slug)
        for alert in _worst_first(rows.select_related("acknowledged_by")):
            words, _severity = rule_words(alert.rule)
            found[alert.subject_id].append(OfRun(alert, spoken(words), own(alert.pk)))
    return dict(found)


def standing(desk: Desk, alerts: Found, said: Mapping[int, Told]) -> Standing:
    """The same as lines. said: of containers by id; what has people do stands beside those listed anyway."""
    advised = {pk: said[pk] for pk in alerts.containers if pk in said}
    lines = lines_of(desk, [*alerts.here, *alerts.others], said=advised)
    beside: defaultdict[int, list[Beside]] = defaultdict(list)
    for line in lines[: len(alerts.here)]:
        named = {"code": line.subject.code, "words": line.words}
        called = gettext("Alert on %(code)s: %(words)s") % named
        beside[line.alert.subject_id].append(Beside(line, called))
    more = alerts.count - len(lines)
    return Standing(dict(beside), lines[len(alerts.here) :], more, alerts.open_count - alerts.count)
